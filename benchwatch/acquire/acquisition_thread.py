"""The thread that owns one counter, from the first connect to the front panel's return."""

import threading
from collections.abc import Callable
from contextlib import suppress
from decimal import Decimal
from typing import Final

from benchwatch.acquire.counter_status import CounterStatus, StatusPublisher
from benchwatch.acquire.gaps import GapTracker
from benchwatch.acquire.reading_maker import ReadingMaker
from benchwatch.acquire.retry_policy import RetryPolicy
from benchwatch.acquire.sentences import answered_before, broken_driver, undated_readings
from benchwatch.acquire.settings_control import SettingsControl
from benchwatch.clock import Clock
from benchwatch.counter import Counter, Identity, Link, OpenLink, Setup
from benchwatch.driver_registry import driver
from benchwatch.errors import (
    BenchwatchError,
    ConnectionFailed,
    InputEnded,
    LinkLost,
    NoReadings,
    NotACounter,
    ReplyError,
    ReplyTimeout,
    UsageError,
)
from benchwatch.plan import MARGIN_S
from benchwatch.quantity import printable
from benchwatch.reading import REPEAT, Gap, Mark, Reading

TIMEOUTS_IN_A_ROW: Final = 3
"""Then the connection itself is distrusted and opened again."""
RETRY_PAUSE_S: Final = 0.2
"""After a reply that is no reading, so that garbage is not asked for in a tight loop. What comes at
the counter's own pace would only wait meanwhile, and the next line after it, without end."""


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
        on_event: Callable[[Reading | Gap | Mark], None],
        on_status: Callable[[CounterStatus], None],
        on_failure: Callable[[BenchwatchError], None] | None = None,
        open_link: OpenLink,
        clock: Clock,
        origin_s: float,
        interval_s: float | None = None,
        margin_s: float = MARGIN_S,
        persistent: bool = False,
    ) -> None:
        """Prepare the thread; nothing is opened before it is started.

        Args:
            name: The counter's name on this bench.
            resource: Its resource string.
            driver: Name of a driver, or what makes a counter of a link.
            setup: What the operator asked to be set; it is set again after a reconnect.
            nominal: In hertz; None takes the round number that the first reading is near.
            on_event: Gets every reading and gap, in order, and a mark when another counter answers.
            on_status: Gets a `CounterStatus` whenever something in it changed.
            on_failure: Gets the error that ended the run, if one did; the last call of all.
            open_link: Opens the link, such as `benchwatch.bus.Buses.open_link`.
            clock: Where time comes from.
            origin_s: Monotonic zero of the run.
            interval_s: Time between the beginnings of two readings; None: as fast as they come.
            margin_s: Added to the gate before a reading is missed.
            persistent: Keep on trying when nothing answers at the start, or no reading comes.
        """
        super().__init__(name=f"acquire {name}", daemon=True)
        self._counter_name = name
        self.error: BenchwatchError | None = None
        self._resource = resource
        self._driver = driver
        self._on_event = on_event
        self._on_failure = on_failure
        self._clock = clock
        self._origin_s = origin_s
        self._open_link = open_link
        self._interval_s = interval_s
        self._stopping = threading.Event()
        self._maker = ReadingMaker(name, nominal, clock=clock, origin_s=origin_s)
        self._gaps = GapTracker()
        self._retry_policy = RetryPolicy(margin_s=margin_s, persistent=persistent)
        self._teller = StatusPublisher(on_status, clock=clock, origin_s=origin_s, nominal=nominal)
        self._upkeep = SettingsControl(
            setup, maker=self._maker, teller=self._teller, note=self._note, clock=clock
        )
        self._fresh_s = 0.0
        """When the newest new reading came, or the link was opened."""

    # ------------------------------------------------------------- for other threads

    def stop(self) -> None:
        """Ask the thread to end; it does within half a second, also in the middle of a gate."""
        self._stopping.set()

    def request(self, setup: Setup) -> None:
        """Ask for a setting to be changed; it is read back and shown.

        It waits for the reading in flight: a gate under way is the technician's measurement,
        and is never broken off.
        """
        self._upkeep.wish(setup)

    def set_nominal(self, nominal: Decimal) -> None:
        """Take another nominal, in hertz, from the next reading on; nothing is set."""
        self._upkeep.wish(nominal)

    # ------------------------------------------------------------- the run

    def run(self) -> None:
        """Read until stopped or until there is no point in going on."""
        try:
            self._teller.know()
            make = driver(self._driver) if isinstance(self._driver, str) else self._driver
            self._stay_connected(make)
        except InputEnded as ended:
            self.error = ended
            if not self._retry_policy.has_read:
                self.error = NoReadings(f"{ended} Not one reading came.")
        except BenchwatchError as error:
            self.error = error
        except BaseException as error:  # noqa: BLE001 - a driver may be anybody's, and exit
            self.error = broken_driver(error, self._driver, self._resource)
        gap = self._gaps.until(self._clock.monotonic() - self._origin_s)
        if gap is not None:
            self._on_event(gap)
        self._teller.say("ended", str(self.error or ""))
        if self.error is not None and self._on_failure is not None:
            self._on_failure(self.error)

    def _stay_connected(self, make: Callable[[Link], Counter]) -> None:
        while not self._stopping.is_set():
            link: Link | None = None
            try:
                link = self._open_link(self._resource, cancel=self._stopping)
                self._use(make(link))
            except (ConnectionFailed, LinkLost, ReplyError, UsageError) as error:
                if self._stopping.is_set():
                    return
                self._go_on_or_raise(error)
            finally:
                if link is not None:
                    link.close()
            self._clock.wait(self._stopping, self._retry_policy.backoff_s)

    def _use(self, counter: Counter) -> None:
        try:
            self._attach(counter)
            self._read_until_lost(counter)
        finally:
            with suppress(LinkLost, ReplyError):  # the link may be gone, and the panel with it
                counter.release()

    def _go_on_or_raise(self, error: BenchwatchError) -> None:
        """Show that the link is lost and will be tried again, or raise what ends the run."""
        self._retry_policy.failed()
        self._gaps.failed(error)
        identified = self._teller.connection.identity is not None
        if not self._retry_policy.has_read:
            if isinstance(error, UsageError | NotACounter):
                raise error
            if not self._retry_policy.persistent and not identified:
                raise error if isinstance(error, ConnectionFailed) else ConnectionFailed(str(error))
        self._give_up_if_hopeless(error)
        self._teller.say(
            "lost" if identified else "connecting",
            f"{self._advice(error)} Next try in {self._retry_policy.backoff_s:g} s.",
        )

    def _advice(self, error: BenchwatchError) -> str:
        """Say what to do about it, as it is known by now."""
        return answered_before(error, self._resource) if self._retry_policy.has_read else str(error)

    def _give_up_if_hopeless(self, error: BenchwatchError) -> None:
        if self._retry_policy.is_hopeless:
            raise NoReadings(
                f"{self._resource} is connected, but {self._retry_policy.tries} tries gave no "
                f"reading: {error}"
            ) from error

    def _attach(self, counter: Counter) -> None:
        """Find out who is there, set what was asked for, and ask what can be asked."""
        identity = counter.identify()
        time_base, gate_s = self._upkeep.first(counter)
        self._mark_change(identity)
        self._teller.say(
            self._teller.connection.link.state,
            "connected, waiting for the first reading",
            identity=identity,
            time_base=time_base,
            gate_s=gate_s,
        )

    def _mark_change(self, identity: Identity) -> None:
        """Put it on the time line when somebody else answers than before."""
        before = self._teller.connection.identity
        if before is None or before == identity:
            return
        now, then = printable(identity.text), printable(before.text)
        self._note(f"another counter answers: {now}; before: {then}")

    def _note(self, text: str) -> None:
        """Put a sentence on the time line."""
        utc_s, elapsed_s = self._clock.utc(), self._clock.monotonic() - self._origin_s
        self._on_event(
            Mark(counter=self._counter_name, utc_s=utc_s, elapsed_s=elapsed_s, text=text)
        )

    def _read_until_lost(self, counter: Counter) -> None:
        timeouts = 0
        due_s = self._fresh_s = self._clock.monotonic()
        while not self._stopping.is_set():
            self._upkeep.between(counter)
            if self._interval_s is not None:
                self._clock.wait(self._stopping, due_s - self._clock.monotonic())
                getattr(counter, "discard_waiting_lines", _nothing)()
                due_s = max(due_s + self._interval_s, self._clock.monotonic())
            try:
                timeout_s = self._retry_policy.timeout_s(self._maker.gate_s)
                reading = self._made(counter, timeout_s)
            except ReplyTimeout as error:
                timeouts += 1
                if timeouts >= TIMEOUTS_IN_A_ROW:
                    raise
                self._missed(error)
            except ReplyError as error:
                self._missed(error)
                if not getattr(counter, "is_talk_only", False):
                    self._clock.wait(self._stopping, RETRY_PAUSE_S)
            else:
                timeouts = 0
                self._got(reading, timeout_s)

    # ------------------------------------------------------------- one reading

    def _made(self, counter: Counter, timeout_s: float) -> Reading:
        """Take a reading; a driver that wants to know is told when it was implausible."""
        measurement = counter.measure(timeout_s)
        try:
            return self._maker.make(measurement)
        except ReplyError:
            rejected = getattr(counter, "measurement_rejected", None)
            if rejected is not None:
                rejected()
            raise

    def _got(self, reading: Reading, timeout_s: float) -> None:
        now_s = self._maker.arrived_s
        since_last_s = now_s - self._fresh_s
        if self._maker.undated_before:
            self._gaps.failed(ReplyError(undated_readings(self._maker.undated_before)))
        if REPEAT in reading.flags:
            self._on_event(reading)
            if since_last_s > timeout_s:
                self._missed(
                    ReplyError("the counter hands out the same reading again. Is it measuring?")
                )
            return
        if since_last_s > timeout_s + (self._interval_s or 0.0):
            self._gaps.failed(ReplyError("nobody read the counter: this computer was kept busy."))
        gap = self._gaps.close(reading)
        if gap is not None:
            self._on_event(gap)
        self._fresh_s = now_s
        self._retry_policy.succeeded(since_last_s)
        told = self._teller.connection
        if told.link.state != "reading" or told.nominal is not self._maker.nominal:
            self._teller.say("reading", nominal=self._maker.nominal)
        self._on_event(reading)

    def _missed(self, error: BenchwatchError) -> None:
        if self._stopping.is_set():
            return
        self._gaps.failed(error)
        self._retry_policy.failed()
        self._give_up_if_hopeless(error)
        self._teller.say("silent", str(error))


def _nothing() -> None:
    """Do nothing, for a driver that has nothing to do."""
