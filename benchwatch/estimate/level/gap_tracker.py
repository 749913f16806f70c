"""The usual time from one reading to the next, to tell how many a gap has cost."""

from collections import deque
from typing import Final

KEPT: Final = 9
"""Newest steps of time; the middle one is usual."""


class ReadingInterval:
    """O(1) a reading; steps across gaps are left out."""

    def __init__(self) -> None:
        self._steps: deque[float] = deque(maxlen=KEPT)
        self._last_s: float | None = None

    def add(self, elapsed_s: float) -> None:
        """Take the time of a reading, seconds of any origin."""
        if self._last_s is not None:
            self._steps.append(elapsed_s - self._last_s)
        self._last_s = elapsed_s

    def gap(self) -> None:
        """Take no step across a gap."""
        self._last_s = None

    def count(self, lasted_s: float | None) -> float | None:
        """Return the length of a gap in intervals, 1 at least; None when it can't be told."""
        if lasted_s is None or not self._steps:
            return None
        usual_s = sorted(self._steps)[len(self._steps) // 2]
        return max(lasted_s / usual_s, 1.0) if usual_s > 0.0 else None
