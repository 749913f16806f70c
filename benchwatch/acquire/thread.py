"""The thread that owns one counter, from the first connect to the front panel's return."""

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import partial
from typing import Final, Protocol

from benchwatch.acquire.gaps import GapKeeper
from benchwatch.acquire.readings import ReadingMaker
from benchwatch.bus import open_link as open_visa_link
from benchwatch.clock import Clock
from benchwatch.counter import Counter, Identity, Link, Setup, TimeBase, driver
from benchwatch.errors import (
    BenchwatchError,
    ConnectionFailed,
    DriverError,
    LinkLost,
    NoReadings,
    NotACounter,
    ReplyError,
    ReplyTimeout,
    UsageError,
)
from benchwatch.reading import REPEAT, Gap, Reading
from benchwatch.snapshot import Link as LinkShown
from benchwatch.snapshot import LinkState

MARGIN_S: Final = 1.5
"""Added to the gate before a reply is missed; a tenth of a long gate if that is more."""
UNKNOWN_GATE_TIMEOUT_S: Final = 30.0
"""Patience with a counter that does not tell its gate, until its pace is known."""
BACKOFF_S: Final = (1.0, 1.0, 1.0, 2.0, 3.0, 5.0, 8.0, 13.0, 20.0, 30.0)
TIME_BASE_EVERY_S: Final = 8.0
"""A reference that drops out is shown within 10 s."""
COSTLY_QUERY_S: Final = 0.25
"""A counter that takes longer than this to name its time base is asked once a minute."""
TIMEOUTS_IN_A_ROW: Final = 3
"""Then the connection itself is distrusted and opened again."""
TRIES_WITHOUT_READING: Final = 5
"""An impatient run ends when so many tries from the start gave nothing."""
RETRY_PAUSE_S: Final = 0.2
"""After a reply that is no reading, so that garbage is not asked for in a tight loop."""


class OpenLink(Protocol):
    """How a link is opened, such as `benchwatch.bus.open_link`."""

    def __call__(self, resource: str, *, cancel: threading.Event) -> Link:
        """Open `resource`; every wait of the link ends when `cancel` is set."""


@dataclass(frozen=True, slots=True)
class Connection:
    """What is known of a counter besides its readings; a new one whenever that changes."""

    link: LinkShown
    identity: Identity | None = None
    time_base: TimeBase = field(default_factory=TimeBase)
    gate_s: float | None = None
    nominal: Decimal | None = None


class Acquisition(threading.Thread):
    """Reads one counter until stopped; the callbacks run on this thread.

    Attributes:
        error: What ended the run, if it was not `stop`.
    """

    def __init__(
        self,
        *,
        name: str,
        resource: str,
        driver: str | Callable[[Link], Counter],
        setup: Setup,
        nominal: Decimal | None,
        take: Callable[[Reading | Gap], None],
        link_changed: Callable[[Connection], None],
        failed: Callable[[BenchwatchError], None] | None = None,
        clock: Clock,
        origin_s: float,
        open_link: OpenLink | None = None,
        interval_s: float | None = None,
        margin_s: float = MARGIN_S,
        patient: bool = False,
    ) -> None:
        """Prepare the thread; nothing is opened before it is started.

        Args:
            name: The counter's name on this bench.
            resource: Its resource string.
            driver: Name of a driver, or what makes a counter of a link.
            setup: What the operator asked to be set; it is set again after a reconnect.
            nominal: In hertz; None takes the round number that the first reading is near.
            take: Gets every reading and gap, in order.
            link_changed: Gets a `Connection` whenever something in it changed.
            failed: Gets the error that ended the run, if one did; the last call of all.
            clock: Where time comes from.
            origin_s: Monotonic zero of the run.
            open_link: Default: `benchwatch.bus.open_link` on `clock`.
            interval_s: Time between the beginnings of two readings; None: as fast as they come.
            margin_s: Added to the gate before a reply is missed.
            patient: Keep on trying when nothing answers at the start, or no reading comes.
        """
        super().__init__(name=f"acquire {name}", daemon=True)
        self.error: BenchwatchError | None = None
        self._resource = resource
        self._driver = driver
        self._setup = setup
        self._take = take
        self._link_changed = link_changed
        self._failed = failed
        self._clock = clock
        self._origin_s = origin_s
        self._open_link: OpenLink = open_link or partial(open_visa_link, clock=clock)
        self._interval_s = interval_s
        self._margin_s = margin_s
        self._patient = patient
        self._stopping = threading.Event()
        self._requests: queue.SimpleQueue[Setup] = queue.SimpleQueue()
        self._maker = ReadingMaker(name, nominal, clock=clock, origin_s=origin_s)
        self._gaps = GapKeeper()
        self._connection = Connection(self._shown("connecting"), nominal=nominal)
        self._tries = 0
        """Failed tries since the start or the last reading."""
        self._pace_s: float | None = None
        """Longest time between two readings, for counters that do not tell their gate."""
        self._fresh_s = 0.0
        self._time_base_due_s = 0.0

    # ------------------------------------------------------------- for other threads

    def stop(self) -> None:
        """Ask the thread to end; it does within half a second, also in the middle of a gate."""
        self._stopping.set()

    def request(self, setup: Setup) -> None:
        """Ask for a setting to be changed between two readings; it is read back and shown."""
        self._requests.put(setup)

    # ------------------------------------------------------------- the run

    def run(self) -> None:
        """Read until stopped or until there is no point in going on."""
        try:
            self._stay_connected()
        except BenchwatchError as error:
            self.error = error
        except Exception as error:  # noqa: BLE001 - a driver may be anybody's
            self.error = DriverError(
                f"reading {self._resource} with the driver '{self._driver_name()}' failed: "
                f"{type(error).__name__}: {error}. This is a fault in the program or the driver."
            )
            self.error.__cause__ = error
        gap = self._gaps.until(self._clock.monotonic() - self._origin_s)
        if gap is not None:
            self._take(gap)
        self._show("ended", str(self.error or ""))
        if self.error is not None and self._failed is not None:
            self._failed(self.error)

    def _stay_connected(self) -> None:
        self._publish()
        while not self._stopping.is_set():
            link: Link | None = None
            try:
                link = self._open_link(self._resource, cancel=self._stopping)
                counter = self._load_driver()(link)
                self._attach(counter)
                self._read_until_lost(counter)
            except (ConnectionFailed, LinkLost, ReplyError, UsageError) as error:
                if self._stopping.is_set():
                    return
                self._decide(error)
            finally:
                if link is not None:
                    link.close()
            wait_s = BACKOFF_S[min(self._tries, len(BACKOFF_S)) - 1] if self._tries else 0.0
            self._clock.wait(self._stopping, wait_s)

    def _decide(self, error: BenchwatchError) -> None:
        """Go on after a failed connection, or raise what ends the run."""
        self._tries += 1
        self._gaps.failed(error)
        never_read = self._gaps.last is None
        if never_read and isinstance(error, UsageError | NotACounter):
            raise error
        if never_read and not self._patient:
            if self._connection.identity is None:
                raise error if isinstance(error, ConnectionFailed) else ConnectionFailed(str(error))
            self._give_up_if_hopeless(error)
        wait_s = BACKOFF_S[min(self._tries, len(BACKOFF_S)) - 1]
        state: LinkState = "connecting" if self._connection.identity is None else "lost"
        self._show(state, f"{error} Next try in {wait_s:g} s.")

    def _give_up_if_hopeless(self, error: BenchwatchError) -> None:
        if self._tries >= TRIES_WITHOUT_READING and self._gaps.last is None and not self._patient:
            raise NoReadings(
                f"{self._resource} is connected, but {self._tries} tries gave no reading: {error}"
            ) from error

    def _attach(self, counter: Counter) -> None:
        """Find out who is there, set what was asked for, and ask what can be asked."""
        identity = counter.identify()
        if not self._setup.asks_nothing:
            counter.configure(self._setup)
        self._maker.gate_s = counter.gate_s()
        time_base = self._ask_time_base(counter)
        self._maker.take_time_base(time_base)
        self._connection = replace(
            self._connection, identity=identity, time_base=time_base, gate_s=self._maker.gate_s
        )
        self._show(self._connection.link.state, "connected, waiting for the first reading")

    def _read_until_lost(self, counter: Counter) -> None:
        timeouts = 0
        due_s = self._fresh_s = self._clock.monotonic()
        try:
            while not self._stopping.is_set():
                self._serve_requests(counter)
                self._watch_time_base(counter)
                if self._interval_s is not None:
                    self._clock.wait(self._stopping, due_s - self._clock.monotonic())
                    due_s = max(due_s + self._interval_s, self._clock.monotonic())
                try:
                    reading = self._maker.make(counter.measure(self._timeout_s()))
                except ReplyTimeout as error:
                    timeouts += 1
                    if timeouts >= TIMEOUTS_IN_A_ROW:
                        raise
                    self._missed(error)
                except ReplyError as error:
                    self._missed(error)
                    self._clock.wait(self._stopping, RETRY_PAUSE_S)
                else:
                    timeouts = 0
                    self._got(reading)
        finally:
            self._let_go(counter)

    def _let_go(self, counter: Counter) -> None:
        try:
            counter.release()
        except (LinkLost, ReplyError):
            return  # the link is gone, and with it whatever could be given back

    # ------------------------------------------------------------- one reading

    def _got(self, reading: Reading) -> None:
        now_s = self._clock.monotonic()
        if REPEAT in reading.flags:
            self._take(reading)
            if now_s - self._fresh_s > self._timeout_s():
                self._missed(
                    ReplyError("the counter hands out the same reading again. Is it measuring?")
                )
            return
        gap = self._gaps.close(reading)
        if gap is not None:
            self._take(gap)
        if self._maker.gate_s is None and self._tries == 0:
            self._pace_s = max(self._pace_s or 0.0, now_s - self._fresh_s)
        self._fresh_s = now_s
        self._tries = 0
        if self._connection.link.state != "reading" or (
            self._connection.nominal is not self._maker.nominal
        ):
            self._connection = replace(self._connection, nominal=self._maker.nominal)
            self._show("reading")
        self._take(reading)

    def _missed(self, error: BenchwatchError) -> None:
        if self._stopping.is_set():
            return
        self._gaps.failed(error)
        self._tries += 1
        self._give_up_if_hopeless(error)
        self._show("silent", str(error))

    def _timeout_s(self) -> float:
        gate_s = self._maker.gate_s
        if gate_s is not None:
            return gate_s + max(self._margin_s, gate_s / 10)
        if self._pace_s is None:
            return UNKNOWN_GATE_TIMEOUT_S
        return 3 * self._pace_s + self._margin_s

    # ------------------------------------------------------------- between two readings

    def _serve_requests(self, counter: Counter) -> None:
        while not self._requests.empty():
            asked = self._requests.get()
            try:
                counter.configure(asked)
            except UsageError as error:
                self._show(self._connection.link.state, str(error))
                continue
            self._setup = Setup(
                gate_s=self._setup.gate_s if asked.gate_s is None else asked.gate_s,
                channel=self._setup.channel if asked.channel is None else asked.channel,
            )
            self._maker.gate_s = counter.gate_s()
            self._connection = replace(self._connection, gate_s=self._maker.gate_s)
            self._publish()

    def _watch_time_base(self, counter: Counter) -> None:
        """Ask again which time base is in use, where the counter told once and tells quickly."""
        known = self._connection.time_base
        if known.source == "unknown" or self._clock.monotonic() < self._time_base_due_s:
            return
        time_base = self._ask_time_base(counter)
        if time_base != known:
            self._maker.take_time_base(time_base)
            self._connection = replace(self._connection, time_base=time_base)
            self._publish()

    def _ask_time_base(self, counter: Counter) -> TimeBase:
        began_s = self._clock.monotonic()
        time_base = counter.time_base()
        now_s = self._clock.monotonic()
        costly = now_s - began_s > COSTLY_QUERY_S
        self._time_base_due_s = now_s + (60.0 if costly else TIME_BASE_EVERY_S)
        return time_base

    # ------------------------------------------------------------- telling

    def _shown(self, state: LinkState, detail: str = "") -> LinkShown:
        return LinkShown(state, self._clock.monotonic() - self._origin_s, detail)

    def _show(self, state: LinkState, detail: str = "") -> None:
        """Publish a state; its age counts from when it was entered."""
        shown = self._shown(state, detail)
        before = self._connection.link
        if before.state == state:
            shown = replace(shown, since_s=before.since_s)
        if shown != before:
            self._connection = replace(self._connection, link=shown)
        self._publish()

    def _publish(self) -> None:
        self._link_changed(self._connection)

    def _load_driver(self) -> Callable[[Link], Counter]:
        return driver(self._driver) if isinstance(self._driver, str) else self._driver

    def _driver_name(self) -> str:
        return self._driver if isinstance(self._driver, str) else self._driver.__name__
