"""The usual time from one reading to the next, in which the length of a gap is measured."""

from collections import deque
from typing import Final

SPACINGS_KEPT: Final = 9
"""Newest spacings kept; their median is the usual one."""


class ReadingSpacing:
    """The usual time between two readings; spacings across gaps are left out."""

    def __init__(self) -> None:
        self._newest: deque[float] = deque(maxlen=SPACINGS_KEPT)
        self._last_s: float | None = None

    @property
    def usual_s(self) -> float | None:
        """The usual time in seconds; None before two readings without a gap between them."""
        return sorted(self._newest)[len(self._newest) // 2] if self._newest else None

    def add(self, elapsed_s: float) -> None:
        """Take the time of a reading, seconds of any origin."""
        if self._last_s is not None:
            self._newest.append(elapsed_s - self._last_s)
        self._last_s = elapsed_s

    def since_newest_s(self, elapsed_s: float) -> float | None:
        """Return the time (seconds) from the newest reading to `elapsed_s`; None after a gap."""
        return None if self._last_s is None else elapsed_s - self._last_s

    def gap(self) -> None:
        """Take a gap: the time across it is no usual spacing."""
        self._last_s = None

    def spacings_in(self, lasted_s: float | None) -> float | None:
        """Return the length of a gap in usual spacings, 1 at least; None where it is unknown."""
        usual_s = self.usual_s
        if lasted_s is None or usual_s is None or usual_s <= 0.0:
            return None
        return max(lasted_s / usual_s, 1.0)
