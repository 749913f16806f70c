"""The loop that takes readings while a link works, and the gaps between them."""

import threading
from collections.abc import Callable
from typing import Final

from benchwatch.acquire.counter_status import StatusPublisher
from benchwatch.acquire.reading_maker import MadeReading, ReadingMaker
from benchwatch.acquire.retry_policy import RetryPolicy
from benchwatch.acquire.settings_control import SettingsControl
from benchwatch.clock import Clock
from benchwatch.counter import Counter, DriverExtras
from benchwatch.errors import (
    BenchwatchError,
    BetweenSettings,
    NoReadings,
    ReplyError,
    ReplyTimeout,
)
from benchwatch.quantity import format_frequency
from benchwatch.reading import DIALLED, OTHER_DIAL, REPEAT, Gap, Mark, Reading

TIMEOUTS_IN_A_ROW: Final = 3
"""After so many the connection itself is distrusted and opened again."""
RETRY_PAUSE_S: Final = 0.2
"""After a reply that is no reading, so that garbage is not queried in a tight loop. A talk-only
counter sends at its own pace: a pause there would delay its next line, and each one after it."""


class GapTracker:
    """Holds the last good reading, and the reason of the first failure after it."""

    def __init__(self) -> None:
        self._last: Reading | None = None
        self._reason: str | None = None

    def failed(self, error: Exception) -> None:
        """Note what went wrong; the first error is the reason of the gap."""
        if self._reason is None:
            self._reason = str(error).split(". ", 1)[0].rstrip(".")

    def undated(self, count: int) -> None:
        """Note how many readings waited too long in this computer, beside what else went wrong."""
        what = "a reading was" if count == 1 else f"{count} readings were"
        said = (
            f"this computer was kept busy: {what} found too late to tell when taken, and not used"
        )
        self._reason = said if self._reason is None else f"{self._reason}; {said}"

    def dialled(self, setting_hz: float) -> None:
        """Note that readings are taken at another setting, `setting_hz`: that is the reason."""
        if self._reason is None or not self._reason.startswith(DIALLED):
            self._reason = f"{DIALLED} {format_frequency(setting_hz)}"

    def close(self, reading: Reading) -> Gap | None:
        """Return the gap that `reading` ends, if there is one."""
        gap = self.open_gap(reading.elapsed_s)
        self._last, self._reason = reading, None
        return gap

    def open_gap(self, elapsed_s: float) -> Gap | None:
        """Return the gap that is open at `elapsed_s`; before the first reading there is none."""
        last = self._last
        if last is None or self._reason is None:
            return None
        return Gap(
            counter=last.counter,
            utc_s=last.utc_s,
            elapsed_s=last.elapsed_s,
            lasted_s=max(elapsed_s - last.elapsed_s, 0.0),
            reason=self._reason,
        )


class ReadingLoop:
    """Takes the readings of one counter; one loop serves all connections of a run.

    Args:
        resource: the counter's resource string.
        settings: sets and polls the counter's settings between readings.
        maker: makes the readings.
        publisher: publishes the state of the link.
        retry_policy: gives timeouts, and decides when to give up.
        on_event: gets every reading and gap, in order.
        clock: the clock of the run.
        stopping: set when the run is to end.
        interval_s: time between the beginnings of two readings; None: as fast as they come.
        explain: adds to an error what may be the cause of it.
    """

    def __init__(
        self,
        *,
        resource: str,
        settings: SettingsControl,
        maker: ReadingMaker,
        publisher: StatusPublisher,
        retry_policy: RetryPolicy,
        on_event: Callable[[Reading | Gap | Mark], None],
        clock: Clock,
        stopping: threading.Event,
        interval_s: float | None,
        explain: Callable[[BenchwatchError], BenchwatchError] = lambda error: error,
    ) -> None:
        self._explain = explain
        self.gaps = GapTracker()
        self._resource = resource
        self._settings = settings
        self._maker = maker
        self._publisher = publisher
        self._retry_policy = retry_policy
        self._on_event = on_event
        self._clock = clock
        self._stopping = stopping
        self._interval_s = interval_s
        self._newest_reading_s = 0.0
        """When the newest new reading came, or the link was opened; monotonic seconds."""

    def read_until_lost(self, counter: Counter, extras: DriverExtras) -> None:
        """Take readings until the run is stopped.

        Raises:
            ReplyTimeout: several in a row, so the connection is distrusted.
            LinkLost: the link broke.
            NoReadings: the retry policy gives up.
        """
        timeouts = 0
        due_s = self._newest_reading_s = self._clock.monotonic()
        while not self._stopping.is_set():
            self._settings.between_readings(counter)
            if self._interval_s is not None:
                self._clock.wait(self._stopping, due_s - self._clock.monotonic())
                extras.discard_waiting_lines()
                due_s = max(due_s + self._interval_s, self._clock.monotonic())
            try:
                timeout_s = self._retry_policy.timeout_s(self._maker.gate_s)
                made = self._measure(counter, extras, timeout_s)
            except BetweenSettings:
                timeouts = 0  # the counter reads: the unit is being dialled
            except ReplyTimeout as error:
                timeouts += 1
                if timeouts >= TIMEOUTS_IN_A_ROW:
                    raise
                self._missed(error)
            except ReplyError as error:
                self._missed(error)
                if not extras.is_talk_only:
                    self._clock.wait(self._stopping, RETRY_PAUSE_S)
            else:
                timeouts = 0
                self._publish_reading(made, timeout_s)

    def why_absent(self, error: BenchwatchError) -> BenchwatchError | None:
        """Return why a connected counter counts as not there yet; None: it does not.

        Raises:
            NoReadings: it has given no reading in many tries, and the run is not persistent.
        """
        if not self._retry_policy.gives_nothing:
            return None
        absent = NoReadings(
            f"{self._resource} is connected, but {self._retry_policy.tries} tries gave no "
            f"reading: {error}"
        )
        if not self._retry_policy.persistent:
            raise absent from error
        return absent

    def _measure(self, counter: Counter, extras: DriverExtras, timeout_s: float) -> MadeReading:
        measurement = counter.measure(timeout_s)
        try:
            return self._maker.make(measurement)
        except ReplyError:
            extras.measurement_rejected()
            raise

    def _publish_reading(self, made: MadeReading, timeout_s: float) -> None:
        reading = made.reading
        since_last_s = made.arrived_s - self._newest_reading_s
        if made.undated_before:
            self.gaps.undated(made.undated_before)
        if REPEAT in reading.flags:
            self._on_event(reading)
            if since_last_s > timeout_s:
                self._missed(
                    ReplyError("the counter hands out the same reading again. Is it measuring?")
                )
            return
        if since_last_s > timeout_s + (self._interval_s or 0.0):
            self.gaps.failed(ReplyError("nobody read the counter: this computer was kept busy."))
        if OTHER_DIAL in reading.flags:
            self.gaps.dialled(reading.dial_hz or 0.0)
        else:
            gap = self.gaps.close(reading)
            if gap is not None:
                self._on_event(gap)
        self._newest_reading_s = made.arrived_s
        self._retry_policy.succeeded(since_last_s)
        status = self._publisher.status
        if status.link.state != "reading" or status.nominal is not self._maker.nominal:
            self._publisher.set_state("reading", nominal=self._maker.nominal, absent=None)
        self._on_event(reading)

    def _missed(self, error: BenchwatchError) -> None:
        if self._stopping.is_set():
            return
        error = self._explain(error)
        self.gaps.failed(error)
        self._retry_policy.failed()
        self._publisher.set_state(
            "silent", str(error), absent=self.why_absent(error) or self._publisher.status.absent
        )
