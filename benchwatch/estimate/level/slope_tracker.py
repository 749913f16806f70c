"""The present slope of the offset a reading, from block means, so that the level can follow it."""

import math
from collections import deque
from collections.abc import Sequence
from typing import Final

from benchwatch.estimate.regression import EvenLine

BlockMeans = deque[float]
"""Means of neighbouring blocks of one length, oldest first."""
SLOPE_BLOCKS: Final = 8
_SLOPE_OCTAVES = 9
"""Octaves searched for a slope; the longest spans 4096 readings."""
_SURE_U = 8.0
"""A slope of this many times its u is followed; a lone step in mid-window looks like 4.4."""
_FOLLOWED_READINGS = 64
"""Readings for which a slope is still followed after a step, while there is no newer one."""
_LINE: Final = EvenLine(SLOPE_BLOCKS)


class SlopeTracker:
    """Least squares through the newest blocks of the shortest octave that shows a slope.

    A slope of more than σ a reading is not followed: averaging gains nothing then, and the bend of
    a warm-up makes an old slope wrong.

    Attributes:
        slope: fractional change a reading; 0 while none is sure.
        u: its standard uncertainty; 0 where `slope` is 0.
    """

    def __init__(self) -> None:
        self.slope = 0.0
        self.u = 0.0
        self._fits = [(0.0, 0.0)] * _SLOPE_OCTAVES
        self._fitted_octaves = self._usable_octaves = 0
        """Octaves fitted from the present blocks; `_usable_octaves`: those from before the last
        step."""
        self._readings_since_restart = 0

    def restart(self) -> None:
        """Begin new blocks after a step or a gap. The slope stays for a while."""
        self._fitted_octaves = 0
        self._readings_since_restart = 0

    def renew(self, octaves: Sequence[BlockMeans], white: float) -> None:
        """Take the blocks of the octaves that have a new one; called every second reading.

        Args:
            octaves: blocks of 2, 4, 8 ... readings.
            white: variance of single readings.
        """
        for place, blocks in enumerate(octaves[:_SLOPE_OCTAVES]):
            if len(blocks) < SLOPE_BLOCKS:
                break
            self._fits[place] = _fit(blocks, 2 << place, white)
            self._fitted_octaves = max(self._fitted_octaves, place + 1)
        if self._fitted_octaves:
            self._usable_octaves = self._fitted_octaves
            self.slope = self.u = 0.0
            for slope, u in self._fits[: self._fitted_octaves]:
                if abs(slope) > _SURE_U * u and slope * slope < white:
                    self.slope, self.u = slope, u
                    break
            return
        self._readings_since_restart += 2
        if self._readings_since_restart > _FOLLOWED_READINGS:
            self.slope = self.u = 0.0
            self._usable_octaves = 0

    def at_most(self, readings: int) -> float:
        """Return the largest likely slope of the last `readings`, unsigned; inf while unknown."""
        if not self._usable_octaves:
            return math.inf
        long_enough = ((readings - 1) // (2 * SLOPE_BLOCKS)).bit_length()
        slope, u = self._fits[min(long_enough, self._usable_octaves - 1)]
        return abs(slope) + u


def _fit(blocks: BlockMeans, readings: int, white: float) -> tuple[float, float]:
    """Return the slope a reading and its u, from the larger of white noise and the residuals."""
    slope, left_over = _LINE.fit(blocks)
    variance = max(white / readings, left_over / (SLOPE_BLOCKS - 2)) / _LINE.squares
    return slope / readings, math.sqrt(variance) / readings
