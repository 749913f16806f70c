"""Drifts in the screen's words: in the unit of the offset beside them, so that both agree.

The only arithmetic is a change of unit: a rate a second into a rate a minute or an hour.
"""

import math
from dataclasses import dataclass
from typing import Final

from benchwatch.quantity import OFFSET_UNITS, PPB, OffsetUnit, QuantityText, write_fraction

TIME_UNITS: Final = (("h", 3600.0), ("min", 60.0), ("s", 1.0))
LARGEST_FIGURE, KEPT_BELOW, KEPT_ABOVE = 1000.0, 5000.0, 0.5
"""Largest figure with which a unit of time is chosen; figures between which the unit is kept."""
FINER_BELOW, COARSER_ABOVE = 0.001, 0.02
"""Units an hour below which a finer unit is chosen, and above which it is left again."""
MOST_RATE_DECIMALS, MOST_RATE_DIGITS = 4, 5
"""Most decimals of a figure; most digits in all, as long as there are decimals."""


@dataclass(frozen=True, slots=True)
class RateUnit:
    """A unit in which a drift is shown, such as ppb an hour."""

    unit: OffsetUnit = PPB
    span: str = "h"
    span_s: float = 3600.0

    @property
    def name(self) -> str:
        """The name, with ``per`` after a power of ten: a slash could be read as part of that."""
        return f"{self.unit.name}{' per ' if '^' in self.unit.name else '/'}{self.span}"


def rate_unit(per_s: float, unit: OffsetUnit, current: RateUnit) -> RateUnit:
    """Choose the unit for a drift beside an offset in `unit`; `current` is kept as long as it fits.

    The drift has the unit of the offset unless its figure would be too small. The unit of time is
    the longest in which the figure has no more than three digits before the point.

    Args:
        per_s: the drift, fractional a second.
        unit: unit of the offset.
        current: present unit of the drift.
    """
    if not math.isfinite(per_s):
        return current
    unit = _fraction_unit(abs(per_s), unit, current.unit)
    size = abs(per_s) / unit.size
    figure = size * current.span_s
    longest = current.span == TIME_UNITS[0][0]
    if not figure < KEPT_BELOW or not (longest or figure > KEPT_ABOVE):
        span, span_s = next(
            (one for one in TIME_UNITS if size * one[1] <= LARGEST_FIGURE), TIME_UNITS[-1]
        )
        return RateUnit(unit, span, span_s)
    return RateUnit(unit, current.span, current.span_s)


def write_rate(per_s: float, u: float | None, unit: RateUnit) -> QuantityText:
    """Write a drift (fractional a second) in `unit`, with at most `MOST_RATE_DIGITS` digits."""
    value, spread = per_s * unit.span_s, None if u is None else u * unit.span_s
    text = write_fraction(value, spread, unit.unit)
    whole, _, decimals = text.digits.lstrip("+-").partition(".")
    most = max(min(MOST_RATE_DECIMALS, MOST_RATE_DIGITS - len(whole)), 0)
    if len(decimals) > most:
        text = write_fraction(value, spread, unit.unit, decimals=most)
    return QuantityText(text.digits, text.u, unit.name)


def _fraction_unit(per_s: float, unit: OffsetUnit, current: OffsetUnit) -> OffsetUnit:
    """Return `unit`, or the first finer one in which the figure for an hour is not too small."""
    hour_s = TIME_UNITS[0][1]
    for one in OFFSET_UNITS[OFFSET_UNITS.index(unit) :]:
        finer_now = current.size < one.size
        if per_s * hour_s / one.size >= (COARSER_ABOVE if finer_now else FINER_BELOW):
            return one
    return unit
