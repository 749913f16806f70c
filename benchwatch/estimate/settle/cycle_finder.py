"""Looks for a cycle in all octaves of periods, from a few readings to some horizons."""

import math
from typing import Final

from benchwatch.estimate.blocks import Pyramid
from benchwatch.estimate.settle.cycle import FittedCycle, find_cycle

BLOCKS: Final = 96
"""Newest block means that one octave of periods is looked for in."""
A_PERIOD: Final = 8
"""Block means to the shortest period of an octave at least, where readings come so fast."""
SHORTEST: Final = 4.0
"""Intervals between readings in the shortest period that is looked for."""
LONGEST: Final = 4.0
"""Horizons in the longest one."""


class CycleFinder:
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
        """The surest one of the newest round."""
        return max(self._octaves.values(), key=lambda one: one.power, default=None)

    def look_everywhere(
        self,
        pyramid: Pyramid,
        *,
        interval_s: float,
        horizon_s: float,
        limit: float,
        steps: tuple[float, ...] = (),
    ) -> None:
        """Look through all octaves anew; see `look`."""
        self.forget()
        while self.look(
            pyramid, interval_s=interval_s, horizon_s=horizon_s, limit=limit, steps=steps
        ):
            pass

    def look(
        self,
        pyramid: Pyramid,
        *,
        interval_s: float,
        horizon_s: float,
        limit: float,
        steps: tuple[float, ...] = (),
    ) -> bool:
        """Look through the next octave of periods; False when all have been, then begin anew.

        Args:
            pyramid: means of the readings so far.
            interval_s: from one reading to the next.
            horizon_s: of the verdict; the longest period is `LONGEST` of it.
            limit: of the verdict, fractional.
            steps: times of nudges; blocks lie wholly before or after each.
        """
        octave = self._next
        shortest_s = SHORTEST * interval_s * 2.0**octave
        level = max(octave - round(math.log2(A_PERIOD / SHORTEST)), 0)
        rows = pyramid.levels[level].rows()[:3, -BLOCKS:] if level < len(pyramid.levels) else None
        last = shortest_s > LONGEST * horizon_s
        if rows is None or last:
            self._next = 0
            for gone in [one for one in self._octaves if one >= octave]:
                del self._octaves[gone]
            return False
        self._next += 1
        found = find_cycle(rows, shortest_s, limit, interval_s, steps)
        if found is None:
            self._octaves.pop(octave, None)
        else:
            self._octaves[octave] = found
        return True
