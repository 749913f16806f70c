"""Noise of single readings, from differences of neighbours, so that steps don't count as noise.

First differences have an sd of √2 σ at any level. It is estimated robustly: differences beyond 3.3
times the spread that the 60 % quantile suggests are left out (steps and wild readings), the rest is
averaged as squares; 0.9886 is the share of its variance that a normal keeps inside ±3.3 σ. While
the readings move steadily (warm-up) second differences, √6 σ for white noise, are used instead, so
that motion doesn't count as noise either.

A quantised counter repeats itself, and a median difference of 0 is not "no noise": σ is never
below quantum/√12, the sd of rounding (JCGM 100:2008, 4.3.7). The quantum is the last digit that the
counter writes, or the coarser one that it resolves (`last_digit`).
"""

import math
from bisect import bisect_right, insort
from collections import deque
from operator import mul

from benchwatch.estimate.level.last_digit import LastDigit
from benchwatch.estimate.sample_variances import ALLAN_DIVISOR, HADAMARD_DIVISOR

DIFFERENCES_KEPT = 100
"""Differences kept; long enough for 10 % of σ, short enough to follow a decaying warm-up."""
_QUANTILE = 0.6
_NORMAL_QUANTILE = 0.8416
"""60 % of a normal's magnitudes lie below this many sd."""
_KEPT_SDS = 3.3
_KEPT_VARIANCE = 0.9886
_FIRST_DIFFERENCE_SD, _SECOND_DIFFERENCE_SD = math.sqrt(ALLAN_DIVISOR), math.sqrt(HADAMARD_DIVISOR)
"""sd of first and of second differences of readings, over that of the readings."""
_NEWEST_SPREADS = ((6, 1.8), (12, 1.4), (24, 1.2))
"""So many of the newest magnitudes, and the factor by which their spread may fall short by chance:
1.5 standard deviations of the spread of half as many independent ones."""
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


class RobustSpread:
    """Robust spread of the newest magnitudes of a zero-mean normal that may hold outliers."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._ring: deque[float] = deque()
        self._ordered: list[float] = []
        self._known = 0.0
        """What `recent_sd` returned last ..."""
        self._known_from, self._known_below = math.inf, -math.inf
        """... and the range of limits for which that value is still right."""

    def __len__(self) -> int:
        return len(self._ordered)

    def add(self, magnitude: float) -> None:
        """Take one magnitude; drop the oldest beyond `most`."""
        self._ring.append(magnitude)
        insort(self._ordered, magnitude)
        self._known_below = -math.inf
        if len(self._ring) > self._most:
            del self._ordered[bisect_right(self._ordered, self._ring.popleft()) - 1]

    def sd(self, floor: float) -> float:
        """Return the sd of the stored magnitudes; 0 while there are none.

        Args:
            floor: magnitudes that are likely with this sd are never left out.
        """
        return _robust_sd(self._ordered, floor)[0]

    def recent_sd(self, floor: float) -> float:
        """Return the sd of the newest few where it is surely less, else the sd of all.

        So a spread that decays, as after a warm-up, no longer counts as soon as the newest few are
        surely smaller.
        """
        if self._known_from <= _KEPT_SDS * floor < self._known_below:
            return self._known
        spread, least, most = _robust_sd(self._ordered, floor)
        newest = list(self._ring)
        for count, allowance in _NEWEST_SPREADS:
            if count < len(newest):
                own, low, high = _robust_sd(sorted(newest[-count:]), floor)
                spread = min(spread, allowance * own)
                least, most = max(least, low), min(most, high)
        self._known, self._known_from, self._known_below = spread, least, most
        return spread


def _robust_sd(ordered: list[float], floor: float) -> tuple[float, float, float]:
    """Return the sd of magnitudes in ascending order; 0 when there are none.

    Returns:
        The sd, and the range of `_KEPT_SDS` times the floor in which it stays the same: from the
        first to below the second.
    """
    if not ordered:
        return 0.0, -math.inf, math.inf
    size = len(ordered)
    place = _QUANTILE * (size - 1)
    low = int(place)
    quantile = ordered[low]
    if low + 1 < size:
        quantile += (place - low) * (ordered[low + 1] - quantile)
    least = _KEPT_SDS * (quantile / _NORMAL_QUANTILE)
    floor *= _KEPT_SDS
    most = max(least, floor)
    if ordered[-1] <= most:  # nothing is left out, as mostly
        count, kept, beyond = size, ordered, math.inf
    else:
        count = bisect_right(ordered, most) or 1
        kept, beyond = ordered[:count], ordered[count] if count < size else math.inf
    sd = math.sqrt(sum(map(mul, kept, kept)) / (count * _KEPT_VARIANCE))
    return sd, -math.inf if least >= kept[-1] else kept[-1], beyond


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
