"""Looks for a cycle in all octaves of periods, from a few readings to some horizons."""

import math
from typing import Final

from benchwatch.estimate.block_means import OctaveMeans
from benchwatch.estimate.settle.fitted_cycle import FEWEST, FittedCycle, find_cycle

BLOCKS: Final = 96
"""Newest block means that one octave of periods is looked for in."""
A_PERIOD: Final = 8
"""Block means to the shortest period of an octave at least, where readings come so fast."""
SHORTEST: Final = 4.0
"""Intervals between readings in the shortest period that is looked for."""
LONGEST: Final = 4.0
"""Horizons in the longest one."""


class CycleSearch:
    """Looks through one octave of periods at each call; bounded work, about half a millisecond."""

    def __init__(self) -> None:
        self._octaves: dict[int, FittedCycle] = {}
        self._next = 0

    def forget(self) -> None:
        """The past is no longer that of this oscillator."""
        self._octaves.clear()
        self._next = 0

    @property
    def cycle(self) -> FittedCycle | None:
        """The surest one known."""
        return max(self._octaves.values(), key=lambda one: one.power, default=None)

    def look_everywhere(
        self,
        means: OctaveMeans,
        since: float,
        interval_s: float,
        *,
        horizon_s: float,
        limit: float,
    ) -> None:
        """Look through all octaves; see `look`."""
        self._next = 0
        while self.look(means, since, interval_s, horizon_s=horizon_s, limit=limit):
            pass

    def look(
        self,
        means: OctaveMeans,
        since: float,
        interval_s: float,
        *,
        horizon_s: float,
        limit: float,
    ) -> bool:
        """Look through the next octave of periods; False when all have been, then begin anew.

        What was known of an octave stays while there is too little since the last nudge.

        Args:
            means: means of the readings so far.
            since: when the last nudge had come to rest, s; turns look like a cycle.
            interval_s: from one reading to the next.
            horizon_s: of the verdict; the longest period is `LONGEST` of it.
            limit: of the verdict, fractional.
        """
        octave = self._next
        shortest_s = SHORTEST * interval_s * 2.0**octave
        level = max(octave - round(math.log2(A_PERIOD / SHORTEST)), 0)
        if level >= len(means.levels) or shortest_s > LONGEST * horizon_s:
            self._next = 0
            return False
        self._next += 1
        rows = means.levels[level].rows()[:3, -BLOCKS:]
        rows = rows[:, int(rows[0].searchsorted(since)) :]
        if rows.shape[1] >= FEWEST:
            found = find_cycle(rows, shortest_s, limit, interval_s)
            if found is not None:
                self._octaves[octave] = found
            elif octave in self._octaves:
                del self._octaves[octave]
        return True
