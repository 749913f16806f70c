"""Comparison of the readings after a gap with the level at which an oven had settled before it.

Readings are held back until there are enough to compare. The verdict continues if the gap is short
against the time for which the oven had been settled, and the readings are steady and at the old
level within the limit; else the readings before the gap are discarded.
"""

import math
from typing import Final

from benchwatch.estimate.results import SettleLimit

LONGEST_GAP_SHARE: Final = 0.1
"""Longest gap, as a share of the time for which the oven had been settled."""
LONGEST_SPAN_S: Final = 30.0
SPAN_HORIZONS: Final = 0.05
"""Horizons over which readings after a gap are compared, up to `LONGEST_SPAN_S`."""
FEWEST_READINGS: Final = 8
ENOUGH_READINGS: Final = 512
"""Readings that are enough for the comparison however short their span."""
STEADY_LIMITS: Final = 0.5
"""Limits by which the two halves of the readings may differ."""


class GapComparison:
    """Holds the readings after one gap.

    Args:
        last_s: time of the last reading before it.
        level: mean before it, fractional.
        level_u: standard uncertainty of `level`.
        held_s: how long the oven had been settled.
        limit: of the verdict.
    """

    def __init__(
        self, *, last_s: float, level: float, level_u: float, held_s: float, limit: SettleLimit
    ) -> None:
        self._last_s, self._level, self._level_u = last_s, level, level_u
        self._held_s = held_s
        self._limit = limit
        self.readings: list[tuple[float, float, float]] = []
        """Time, offset and last digit of each, as given to `add`."""

    def gap(self) -> None:
        """Discard the readings held: there was another gap."""
        self.readings.clear()

    def add(self, elapsed_s: float, offset: float, quantum: float) -> None:
        """Take a reading."""
        self.readings.append((elapsed_s, offset, quantum))

    def at_old_level(self) -> bool | None:
        """Return whether the readings are at the old level; None while there are too few."""
        first_s, last_s = self.readings[0][0], self.readings[-1][0]
        if first_s - self._last_s > LONGEST_GAP_SHARE * self._held_s:
            return False
        count = len(self.readings)
        enough_s = min(SPAN_HORIZONS * self._limit.horizon_s, LONGEST_SPAN_S)
        if count < FEWEST_READINGS or (last_s - first_s < enough_s and count < ENOUGH_READINGS):
            return None
        offsets = [offset for _, offset, _ in self.readings]
        half = count // 2
        early, late = math.fsum(offsets[:half]) / half, math.fsum(offsets[-half:]) / half
        mean = math.fsum(offsets) / count
        u = math.sqrt(math.fsum((y - mean) ** 2 for y in offsets) / (count - 1) / count)
        if abs(late - early) > STEADY_LIMITS * self._limit.limit + 6.0 * u:
            return False
        return abs(mean - self._level) <= self._limit.limit + 3.0 * math.hypot(u, self._level_u)
