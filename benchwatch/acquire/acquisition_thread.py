"""The thread that owns one counter, from the first connection to the return to local."""

import threading
from collections.abc import Callable
from contextlib import suppress
from decimal import Decimal
from typing import Final

from benchwatch.acquire.counter_status import CounterStatus, StatusPublisher
from benchwatch.acquire.reading_loop import ReadingLoop
from benchwatch.acquire.reading_maker import ReadingMaker
from benchwatch.acquire.retry_policy import RetryPolicy
from benchwatch.acquire.settings_control import DialSetting, SettingsControl
from benchwatch.bus.file_wire import file_of
from benchwatch.clock import Clock
from benchwatch.counter import (
    NEXT_TRY,
    Counter,
    DriverExtras,
    Identity,
    Link,
    OpenLink,
    Setup,
)
from benchwatch.driver_registry import driver as driver_called
from benchwatch.errors import (
    BenchwatchError,
    ConnectionFailed,
    DriverError,
    InputEnded,
    LinkLost,
    NoReadings,
    NotACounter,
    ReplyError,
    ReplyTimeout,
    UsageError,
)
from benchwatch.plan import OVERDUE_MARGIN_S
from benchwatch.quantity import printable
from benchwatch.reading import Gap, Mark, Reading

TRIES_BEFORE_HINT: Final = 3
"""Bad replies in a row, on an open link, before another driver is looked for."""
MOST_HINTS: Final = 8
"""Most lines for which other drivers are tried: a wrong speed makes a new line of each."""


class Acquisition(threading.Thread):
    """Reads one counter until stopped; the callbacks run on this thread.

    Attributes:
        error: The error that ended the run; None after `stop`.
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
        margin_s: float = OVERDUE_MARGIN_S,
        persistent: bool = False,
        load: Callable[[str], Callable[[Link], Counter]] = driver_called,
        hint: Callable[[str, str], str] | None = None,
    ) -> None:
        """Prepare the thread; nothing is opened before it is started.

        Args:
            name: The counter's name on this bench.
            resource: Its resource string.
            driver: Name of a driver, or a function that makes a counter of a link.
            setup: What the operator asked to be set; it is set again after a reconnect.
            nominal: In hertz; None takes the round number that the first reading is near.
            on_event: Gets every reading and gap, in order, and a mark when another counter answers.
            on_status: Gets a `CounterStatus` whenever something in it changed.
            on_failure: Gets the error that ended the run, if one did; the last call of all.
            open_link: Opens the link, such as `benchwatch.bus.Buses.open_link`.
            clock: The clock of the run.
            origin_s: Monotonic zero of the run.
            interval_s: Time between the beginnings of two readings; None: as fast as they come.
            margin_s: Added to the gate before a reading is overdue.
            persistent: Keep trying when nothing answers at the start, or no reading comes.
            load: Loads a driver by its name.
            hint: Returns a sentence on which other drivers read a line that the present one does
                not, or nothing: (line, name of the present driver) -> sentence.
        """
        super().__init__(name=f"acquire {name}", daemon=True)
        self._counter_name = name
        self.error: BenchwatchError | None = None
        self._resource = resource
        self._driver = driver
        self._load = load
        self._hint = hint
        self._hinted_lines: dict[str, str] = {}
        """Lines for which a hint was asked, each with the answer."""
        self._link: Link | None = None
        self._on_event = on_event
        self._on_failure = on_failure
        self._open_link = open_link
        self._clock = clock
        self._origin_s = origin_s
        self._stopping = threading.Event()
        self._retry_policy = RetryPolicy(margin_s=margin_s, persistent=persistent)
        self._publisher = StatusPublisher(
            on_status, clock=clock, origin_s=origin_s, nominal=nominal
        )
        maker = ReadingMaker(name, nominal, clock=clock, origin_s=origin_s)
        self._settings = SettingsControl(
            setup, maker=maker, publisher=self._publisher, note=self._note, clock=clock
        )
        self._loop = ReadingLoop(
            resource=resource,
            settings=self._settings,
            maker=maker,
            publisher=self._publisher,
            retry_policy=self._retry_policy,
            on_event=on_event,
            clock=clock,
            stopping=self._stopping,
            interval_s=interval_s,
            explain=self._with_later_hint,
        )

    # ------------------------------------------------------------- for other threads

    def stop(self) -> None:
        """Ask the thread to end; it does within half a second, also in the middle of a gate."""
        self._stopping.set()

    def request(self, setup: Setup) -> None:
        """Ask for a setting to be changed; it is read back and shown.

        It waits for the reading in flight: a gate under way is the technician's measurement,
        and is never interrupted.
        """
        self._settings.request(setup)

    def set_nominal(self, nominal: Decimal) -> None:
        """Use another nominal, in hertz, from the next reading on; nothing is set."""
        self._settings.request(nominal)

    def set_dial(self, setting: Decimal | None) -> None:
        """Accept readings near `setting`, in hertz, too, from the next one on; None: no more.

        Nothing is set on the counter.
        """
        self._settings.request(DialSetting(setting))

    # ------------------------------------------------------------- the run

    def run(self) -> None:
        """Read until stopped, or until an error ends the run."""
        try:
            self._publisher.update()
            make = self._load(self._driver) if isinstance(self._driver, str) else self._driver
            self._stay_connected(make)
        except InputEnded as ended:
            self.error = ended
            if not self._retry_policy.has_read:
                self.error = NoReadings(f"{ended} Not one reading came.")
        except BenchwatchError as error:
            self.error = error
        except BaseException as error:  # noqa: BLE001 - a third party's driver may raise any
            self.error = _broken_driver(error, self._driver, self._resource)
        gap = self._loop.gaps.open_gap(self._clock.monotonic() - self._origin_s)
        if gap is not None:
            self._on_event(gap)
        self._publisher.set_state("ended", str(self.error or ""))
        if self.error is not None and self._on_failure is not None:
            self._on_failure(self.error)

    def _stay_connected(self, make: Callable[[Link], Counter]) -> None:
        while not self._stopping.is_set():
            link: Link | None = None
            try:
                link = self._link = self._open_link(self._resource, cancel=self._stopping)
                self._read_from(make(link))
            except (ConnectionFailed, LinkLost, ReplyError, UsageError) as error:
                if self._stopping.is_set():
                    return
                self._retry_or_raise(self._with_hint(error))
            finally:
                if link is not None:
                    link.close()
            self._clock.wait(self._stopping, self._retry_policy.backoff_s)

    def _read_from(self, counter: Counter) -> None:
        extras = DriverExtras.of(counter)
        try:
            self._identify(counter, extras)
            self._loop.read_until_lost(counter, extras)
        finally:
            with suppress(LinkLost, ReplyError):  # without a link nothing can be returned to local
                counter.release()

    def _retry_or_raise(self, error: BenchwatchError) -> None:
        """Publish that the link is lost and will be tried again, or raise what ends the run."""
        self._retry_policy.failed()
        self._loop.gaps.failed(error)
        identified = self._publisher.status.identity is not None
        absent = self._publisher.status.absent
        if not self._retry_policy.has_read:
            if isinstance(error, UsageError | NotACounter):
                raise error
            if not identified:
                absent = (
                    error if isinstance(error, ConnectionFailed) else ConnectionFailed(str(error))
                )
                if not self._retry_policy.persistent:
                    raise absent
            else:
                absent = self._loop.why_absent(error) or absent
        self._publisher.set_state(
            "lost" if identified else "connecting",
            f"{self._advice(error)} {NEXT_TRY} {self._retry_policy.backoff_s:g} s.",
            next_try_in_s=self._retry_policy.backoff_s,
            absent=absent,
        )

    def _with_later_hint(self, error: BenchwatchError) -> BenchwatchError:
        """Return `error` with a hint only after several tries: one bad line needs no other driver.

        To load all drivers takes a while, in which the next lines would wait.
        """
        if self._retry_policy.tries >= TRIES_BEFORE_HINT or not self._newest_line():
            return self._with_hint(error)
        return error

    def _newest_line(self) -> str:
        """Return the newest line that came over the link; empty where none did."""
        return getattr(self._link, "newest_line", "")

    def _with_hint(self, error: BenchwatchError) -> BenchwatchError:
        """Return `error`, with the drivers that read what came, if the present one never did."""
        line = self._newest_line()
        if self._hint is None or self._retry_policy.has_read:
            return error
        if not isinstance(self._driver, str) or isinstance(error, UsageError):
            return error
        if not line:
            # Only what is asked over the network without --ask can tell its dialect at once.
            if isinstance(error, ReplyTimeout) and self._resource.upper().startswith("TCPIP"):
                where = printable(self._resource, 200)
                return ReplyTimeout(f"{error} benchwatch find {where} says which driver fits.")
            return error
        if line not in self._hinted_lines and len(self._hinted_lines) < MOST_HINTS:
            self._hinted_lines[line] = self._hint(line, self._driver)
        hint = self._hinted_lines.get(line, "")
        return type(error)(f"{error} {hint}") if hint else error

    def _advice(self, error: BenchwatchError) -> str:
        """Return what failed and what to do; once a counter was read, port and driver are right."""
        if (
            not self._retry_policy.has_read
            or not isinstance(error, ConnectionFailed)
            or file_of(self._resource) is not None
        ):
            return str(error)
        failed = str(error).split(". ", 1)[0].rstrip(".")
        return (
            f"{failed}. It answered before: check that it is on, its cable, and that no other "
            "program talks to it."
        )

    def _identify(self, counter: Counter, extras: DriverExtras) -> None:
        """Query the identity, set what was asked for, and query the settings."""
        identity = counter.identify()
        time_base, gate_s = self._settings.begin(counter, extras)
        self._mark_change(identity)
        self._publisher.set_state(
            self._publisher.status.link.state,
            "connected, waiting for the first reading",
            identity=identity,
            time_base=time_base,
            gate_s=gate_s,
            absent=None,
        )

    def _mark_change(self, identity: Identity) -> None:
        """Put a mark on the time line when another counter answers than before."""
        before = self._publisher.status.identity
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


def _broken_driver(
    error: BaseException, driver: str | Callable[[Link], Counter], resource: str
) -> DriverError:
    """Return the error for a driver that raised an exception no driver should raise."""
    name = driver if isinstance(driver, str) else getattr(driver, "__name__", "of the caller")
    broken = DriverError(
        f"reading {printable(resource, 200)} with the driver '{name}' failed: "
        f"{type(error).__name__}: {error}. This is a fault in the program or the driver."
    )
    broken.__cause__ = error
    return broken
