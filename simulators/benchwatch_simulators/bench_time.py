"""The time of a simulated bench, and two clocks that tests use in place of the computer's.

Both clocks fulfil `benchwatch.clock.Clock`, so one object can time the bench and the program that
watches it. Bench time is the seconds of ``clock.monotonic()`` since the bench was switched on.
"""

import threading

from benchwatch.clock import Clock, SystemClock

CLOCK_ROUNDING_S = 1e-9
"""Rounding error of clock arithmetic; far below any gate."""
_POLL_S = 0.02
"""A wait on a manual clock checks this often whether it was cancelled."""


class InstrumentClosed(Exception):
    """The bench was closed while a command was waiting."""


class BenchTime:
    """The time of one bench, shared by all its parts.

    Args:
        clock: None: the computer's clock.

    Attributes:
        clock: the clock in use.
        zero_s: ``clock.monotonic()`` when the bench was switched on.
        closing: set when the bench closes, which ends every wait.
    """

    def __init__(self, clock: Clock | None = None) -> None:
        self.clock = clock or SystemClock()
        self.zero_s = self.clock.monotonic()
        self.closing = threading.Event()

    @property
    def now_s(self) -> float:
        """Seconds since the bench was switched on."""
        return self.clock.monotonic() - self.zero_s

    def wait_until(self, at_s: float) -> None:
        """Wait until `at_s` seconds after the bench was switched on.

        Raises:
            InstrumentClosed: the bench was closed meanwhile.
        """
        while (left_s := at_s - self.now_s) > 0:
            if self.clock.wait(self.closing, left_s):
                raise InstrumentClosed


class ManualClock:
    """Time that passes only when a test calls `advance`; `utc_s` is Unix time at the start."""

    def __init__(self, utc_s: float = 1_900_000_000.0) -> None:
        self._moved = threading.Condition()
        self._now = 0.0
        self._utc = utc_s
        self._waiting = 0

    def monotonic(self) -> float:
        """Seconds advanced so far."""
        return self._now

    def utc(self) -> float:
        """Unix seconds: a made-up start plus what was advanced."""
        return self._utc + self._now

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass, and end every wait whose time has come."""
        with self._moved:
            self._now += seconds
            self._moved.notify_all()

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Wait for `event`, or until `timeout_s` have passed; return whether `event` is set."""
        until = self._now + timeout_s
        with self._moved:
            self._waiting += 1
            self._moved.notify_all()
            try:
                while self._now < until and not event.is_set():
                    self._moved.wait(_POLL_S)
            finally:
                self._waiting -= 1
        return event.is_set()

    def until_waiting(self, count: int = 1, timeout_s: float = 60.0) -> bool:
        """Wait in real time until `count` threads wait on this clock; return whether they do."""
        with self._moved:
            return self._moved.wait_for(lambda: self._waiting >= count, timeout_s)


class LeapClock(ManualClock):
    """Time that leaps to the end of every wait, so that hours of gates take seconds to compute."""

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Let `timeout_s` pass at once; return whether `event` is set."""
        self.advance(max(0.0, timeout_s))
        return event.is_set()
