"""Noise of single readings, from differences of neighbours, so that steps don't count as noise.

First differences have an sd of √2 σ at any level. It is estimated without the largest, which are
steps and wild readings (`robust_spread`). While the readings move steadily (warm-up) second
differences, √6 σ for white noise, are used instead, so that motion doesn't count as noise either.

A quantised counter repeats itself, and a median difference of 0 is not "no noise": σ is never
below quantum/√12, the sd of rounding (JCGM 100:2008, 4.3.7). The quantum is the last digit that the
counter writes, or the coarser one that it resolves (`last_digit`).
"""

import math
from collections import deque

from benchwatch.estimate.level.last_digit import LastDigit
from benchwatch.estimate.level.robust_spread import RobustSpread
from benchwatch.estimate.sample_variances import ALLAN_DIVISOR, HADAMARD_DIVISOR

DIFFERENCES_KEPT = 100
"""Differences kept; long enough for 10 % of σ, short enough to follow a decaying warm-up."""
_FIRST_DIFFERENCE_SD, _SECOND_DIFFERENCE_SD = math.sqrt(ALLAN_DIVISOR), math.sqrt(HADAMARD_DIVISOR)
"""sd of first and of second differences of readings, over that of the readings."""
_SIGNS_KEPT = 20
_MOVING_SURPLUS = 14
"""A surplus of 14 equal signs among 20 shows motion ..."""
_MOVING_IN_A_ROW = 5
"""... and so do five in a row: six readings in order, 2/6! = 1 in 360 for independent ones."""


_ROUNDING_SHARE = 8.0 * 2.0**-53
"""Differences of a few units in the last place count as none: an exact ramp has second differences
of that size ..."""
_LEAST_ROUNDING = 2.0**-52
"""... and so do those below the last place of 1, left by conversions from frequency or phase."""


def float_rounding(offset: float) -> float:
    """Return the size below which differences of offsets near `offset` are rounding of floats."""
    return max(_LEAST_ROUNDING, _ROUNDING_SHARE * abs(offset))


class ReadingNoise:
    """Standard deviation of single readings; O(1) a reading, `DIFFERENCES_KEPT` in memory.

    Attributes:
        sigma: fractional sd of single readings; 0 while unknown.
        degrees: degrees of freedom of `sigma`: two thirds of the differences in use, because
            neighbouring differences share a reading.
        quantum: the last digit of the readings as a fraction; 0 while unknown.
        moving: the newest differences have one sign more often than noise would.
    """

    def __init__(self) -> None:
        self.sigma = 0.0
        self.degrees = 0.0
        self.quantum = 0.0
        self.moving = False
        self._first = RobustSpread(DIFFERENCES_KEPT)
        self._second = RobustSpread(DIFFERENCES_KEPT)
        self._signs: deque[int] = deque(maxlen=_SIGNS_KEPT)
        self._sum_of_signs = 0
        self._last_sign = 0
        self._same_signs = 0
        self._digit = LastDigit()
        self._count = 0
        self._last: float | None = None
        self._last_difference: float | None = None

    @property
    def likely_rounding(self) -> float:
        """Variance of rounding to the coarsest digit that the counter may well resolve."""
        return max(self.quantum, self._digit.likely) ** 2 / 12.0

    @property
    def coarse(self) -> bool:
        """Whether readings scatter so little that rounding errors may not average out."""
        return self.sigma <= self.quantum and self.quantum > 0.0

    def gap(self) -> None:
        """Restart differences and signs, so that none is taken across a gap."""
        self._last = None
        self._last_difference = None
        self._signs.clear()
        self._sum_of_signs = self._last_sign = self._same_signs = 0

    def add(self, offset: float, resolution: float = 0.0) -> None:
        """Take one reading (fractional offset) and the weight of its last digit, 0 if unknown."""
        last, self._last = self._last, offset
        if last is None:
            return
        negligible = float_rounding(offset)
        difference = offset - last
        if abs(difference) < negligible:
            difference = 0.0
        magnitude = abs(difference)
        self._digit.add(difference, resolution, negligible)
        self._first.add(magnitude)
        self._count += 1
        if self._last_difference is not None:
            bend = abs(difference - self._last_difference)
            self._second.add(bend if bend >= negligible else 0.0)
        self._last_difference = difference
        self._follow_sign(1 if difference > 0.0 else -1 if difference < 0.0 else 0)
        self.quantum = max(resolution, self._digit.learned)
        floor = self.quantum / math.sqrt(12.0)
        self.moving = (
            self._same_signs >= _MOVING_IN_A_ROW or abs(self._sum_of_signs) >= _MOVING_SURPLUS
        )
        if self.moving and len(self._second):
            spread = self._second.sd(floor * _SECOND_DIFFERENCE_SD) / _SECOND_DIFFERENCE_SD
        else:
            spread = self._first.sd(floor * _FIRST_DIFFERENCE_SD) / _FIRST_DIFFERENCE_SD
        self.sigma = max(spread, floor)
        self.degrees = min(self._count, DIFFERENCES_KEPT) * 2.0 / 3.0

    def _follow_sign(self, sign: int) -> None:
        if len(self._signs) == _SIGNS_KEPT:
            self._sum_of_signs -= self._signs[0]
        self._same_signs = self._same_signs + 1 if sign and sign == self._last_sign else 1
        self._last_sign = sign
        self._signs.append(sign)
        self._sum_of_signs += sign
