"""Time as an argument, so that tests can drive it."""

import threading
import time
from typing import Final, Protocol

LONGEST_WAIT_S: Final = 86_400.0
"""Of one wait; an endless series of them makes the rest."""


class Clock(Protocol):
    """Two clocks and a wait that can be cut short."""

    def monotonic(self) -> float:
        """Seconds that never jump; deadlines and spans come from here."""

    def utc(self) -> float:
        """Unix seconds, as the computer believes them; only for stamps that people read."""

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Wait up to `timeout_s` for `event`; True when it is set."""


class SystemClock:
    """The computer's own clocks."""

    def monotonic(self) -> float:
        """Seconds that never jump."""
        return time.monotonic()

    def utc(self) -> float:
        """Unix seconds."""
        return time.time()

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Wait up to `timeout_s` for `event`; True when it is set.

        Longer than a computer can wait at once, where one call takes 49 days or 292 years.
        """
        deadline_s = time.monotonic() + timeout_s
        while (left_s := deadline_s - time.monotonic()) > LONGEST_WAIT_S:
            if event.wait(LONGEST_WAIT_S):
                return True
        return event.wait(left_s)
