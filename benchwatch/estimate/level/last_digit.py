"""The last digit that a counter resolves, which may be coarser than the last one it writes.

A counter may write more digits than it resolves: then all its readings differ by multiples of a
coarser digit. Chance may do the same: if the first of k independent changes is a multiple of n
written digits, all later ones are, too, with probability n^-(k - 1). So the first turn of a quiet
oscillator, a multiple of itself, shows nothing; the coarser digit is accepted once chance is a
hundred times less likely, the odds that a counter writes as many digits as it resolves (common
practice, no source).
"""

import math
from typing import Final

_LEAST_ODDS: Final = 100.0
_FREE_RETURNS: Final = 2
"""A change that only undoes the one before, as after a spike or a touch, shows nothing new; more
of them than this mean that the counter wavers between two digits."""
_LIKELY_CHANGES: Final = 2
"""So many changes by multiples of a coarser digit make it likely."""
_OFF_GRID_SHARE: Final = 0.1
"""Part of a digit by which a difference may miss a multiple of it."""


class LastDigit:
    """Finds the digit that the differences of neighbouring readings are multiples of; O(1) each.

    Attributes:
        learned: the coarser digit that the readings move in, as a fraction; 0 while none is sure.
        likely: the same as soon as two changes agree on it, or three that undo each other.
    """

    def __init__(self) -> None:
        self.learned = self.likely = 0.0
        self._written = 0.0
        self._common_divisor = 0.0
        """Greatest common divisor of all changes."""
        self._changes = 0
        self._returns = 0
        self._newest_change = 0.0
        """The newest change ..."""
        self._newest_difference = 0.0
        """... and the newest difference, which may be 0."""
        self._repeats = False
        self._decided = False
        """Decided: the readings change in digits no coarser than the written one."""

    def add(self, difference: float, resolution: float, negligible: float) -> None:
        """Take a difference.

        Args:
            difference: of two neighbouring readings, fractional.
            resolution: weight of the digit written, as a fraction; 0 when unknown.
            negligible: smaller differences count as 0.
        """
        magnitude = abs(difference)
        before, self._newest_difference = self._newest_difference, difference
        if magnitude < negligible:
            self._repeats = True
            return
        if resolution > 0.0 and not resolution >= self._written > 0.0:
            self._written, self._decided = resolution, False
        if self._decided:
            return
        undone = abs(difference + self._newest_change) < negligible
        self._newest_change = difference
        self._returns += undone
        # A steady motion makes equal changes, whatever the digit.
        if abs(difference - before) >= negligible and (not undone or self._returns > _FREE_RETURNS):
            self._changes += 1
        least = self._written if self._written > 0.0 else 4.0 * negligible
        self._common_divisor = _common_divisor(
            self._common_divisor, magnitude, _OFF_GRID_SHARE * least
        )
        self.likely = self.learned = 0.0
        if self._common_divisor < 1.5 * least:
            self._decided = True
            return
        if self._changes >= _LIKELY_CHANGES:
            self.likely = self._common_divisor
        if self._is_sure():
            self.learned = self._common_divisor

    def _is_sure(self) -> bool:
        """Return whether the common divisor is more than chance."""
        if self._written <= 0.0:
            return self._repeats and self._changes > 1
        ratio = self._common_divisor / self._written
        return (self._changes - 1) * math.log(ratio) > math.log(_LEAST_ODDS)


def _common_divisor(a: float, b: float, negligible: float) -> float:
    """Return the greatest common divisor of two magnitudes, up to `negligible` (Euclid)."""
    while b > negligible:
        a, b = b, abs(a - b * round(a / b))
    return a
