"""Spread of the newest magnitudes of a zero-mean normal, without the outliers among them.

Magnitudes beyond 3.3 times the spread that the 60 % quantile suggests are left out; the rest is
averaged as squares. 0.9886 is the share of its variance that a normal keeps inside ±3.3 σ.

The squares are kept beside the magnitudes, in the same order: computing a hundred of them anew at
each reading would take longer than all the rest.
"""

import math
from bisect import bisect_right
from collections import deque
from operator import mul
from typing import Final

_QUANTILE: Final = 0.6
_NORMAL_QUANTILE: Final = 0.8416
"""60 % of a normal's magnitudes lie below this many sd."""
_KEPT_SDS: Final = 3.3
_KEPT_VARIANCE: Final = 0.9886
_NEWEST_SPREADS: Final = ((6, 1.8), (12, 1.4), (24, 1.2))
"""So many of the newest magnitudes, and the factor by which their spread may fall short by chance:
1.5 standard deviations of the spread of half as many independent ones."""
_NEWEST: Final = _NEWEST_SPREADS[-1][0]
_SURELY: Final = 1.0 + 1e-9
"""Sums in another order differ by less than this."""


class RobustSpread:
    """Robust spread of the newest magnitudes of a zero-mean normal that may hold outliers.

    Args:
        most: number of magnitudes kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._ring: deque[float] = deque()
        self._ordered: list[float] = []
        self._squares: list[float] = []
        """Of the magnitudes in `_ordered`."""
        self._known = 0.0
        """What `recent_sd` returned last ..."""
        self._known_from, self._known_below = math.inf, -math.inf
        """... and the range of limits for which that value is still right."""

    def __len__(self) -> int:
        return len(self._ordered)

    def add(self, magnitude: float) -> None:
        """Take one magnitude; drop the oldest beyond `most`."""
        ring, ordered, squares = self._ring, self._ordered, self._squares
        ring.append(magnitude)
        place = bisect_right(ordered, magnitude)
        ordered.insert(place, magnitude)
        squares.insert(place, magnitude * magnitude)
        self._known_below = -math.inf
        if len(ring) > self._most:
            place = bisect_right(ordered, ring.popleft()) - 1
            del ordered[place]
            del squares[place]

    def sd(self, floor: float) -> float:
        """Return the sd of the stored magnitudes; 0 while there are none.

        Args:
            floor: magnitudes that are likely with this sd are never left out.
        """
        return _robust_sd(self._ordered, self._squares, floor)[0]

    def recent_sd(self, floor: float) -> float:
        """Return the sd of the newest few where it is surely less, else the sd of all.

        So a spread that decays, as after a warm-up, no longer counts as soon as the newest few are
        surely smaller.
        """
        limit = _KEPT_SDS * floor
        if self._known_from <= limit < self._known_below:
            return self._known
        spread, least, most = _robust_sd(self._ordered, self._squares, floor)
        size = len(self._ordered)
        newest = list(self._ring)[-_NEWEST:]
        squares = list(map(mul, newest, newest))
        highest = max(newest, default=0.0)
        none_left_out = highest <= limit
        if none_left_out:
            least = max(least, highest)
        for count, allowance in _NEWEST_SPREADS:
            if count >= size:
                break
            share = allowance * allowance / (count * _KEPT_VARIANCE)
            if none_left_out and share * sum(squares[-count:]) > spread * spread * _SURELY:
                continue  # these are not less
            ordered = sorted(newest[-count:])
            own, low, high = _robust_sd(ordered, list(map(mul, ordered, ordered)), floor)
            spread = min(spread, allowance * own)
            least, most = max(least, low), min(most, high)
        self._known, self._known_from, self._known_below = spread, least, most
        return spread


def _robust_sd(
    ordered: list[float], squares: list[float], floor: float
) -> tuple[float, float, float]:
    """Return the sd of magnitudes in ascending order, given with their squares; 0 without any.

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
    most = max(least, _KEPT_SDS * floor)
    highest = ordered[-1]
    if highest <= most:  # nothing is left out, as mostly
        count, total, beyond = size, sum(squares), math.inf
    else:
        count = bisect_right(ordered, most) or 1
        highest, beyond = ordered[count - 1], ordered[count] if count < size else math.inf
        total = sum(squares[:count])
    sd = math.sqrt(total / (count * _KEPT_VARIANCE))
    return sd, -math.inf if least >= highest else highest, beyond
