"""The time of a bench: seconds since it was switched on, and waits that end when it closes."""

import threading

from benchwatch.clock import Clock, SystemClock


class InstrumentClosed(Exception):
    """The bench was closed while a command was waiting."""


class BenchTime:
    """One for a bench; all that stands on it waits by it.

    Args:
        clock: the computer's own unless given.

    Attributes:
        clock: where time comes from.
        zero_s: ``clock.monotonic()`` when the bench was switched on.
        closing: set when the bench closes; calls off every wait.
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
