"""Drifts in the screen's words: in the unit of the offset beside them, so that both agree.

The only arithmetic is a change of unit: a rate a second into a rate a minute or an hour.
"""

import math
from dataclasses import dataclass
from typing import Final

from benchwatch.quantity import OFFSET_UNITS, PPB, OffsetUnit, QuantityText, write_fraction

SPANS: Final = (("h", 3600.0), ("min", 60.0), ("s", 1.0))
LARGEST, STAYS_BELOW, STAYS_ABOVE = 1000.0, 5000.0, 0.5
"""A span is chosen for up to so many units in it, and left only beyond the other two."""
LEAST, BACK_ABOVE = 0.001, 0.02
"""Units an hour below which a finer unit is chosen, and above which it is left again."""
DECIMALS, DIGITS = 4, 5
"""At most so many decimals, and so many digits in all while there are decimals."""


@dataclass(frozen=True, slots=True)
class RateUnit:
    """A unit in which a drift is shown, such as ppb an hour."""

    unit: OffsetUnit = PPB
    span: str = "h"
    span_s: float = 3600.0

    @property
    def name(self) -> str:
        """How it is written; a slash after a power of ten could be read as part of it."""
        return f"{self.unit.name}{' per ' if '^' in self.unit.name else '/'}{self.span}"


def rate_unit(per_s: float, unit: OffsetUnit, current: RateUnit) -> RateUnit:
    """Choose the unit for a drift beside an offset in `unit`; `current` is kept as long as it fits.

    The unit is that of the offset unless the drift is hardly to be seen in it; the span is
    the longest in which the figure has no more than three digits before the point.
    """
    if not math.isfinite(per_s):
        return current
    unit = _fraction_unit(abs(per_s), unit, current.unit)
    size = abs(per_s) / unit.size
    here = size * current.span_s
    longest = current.span == SPANS[0][0]
    if not here < STAYS_BELOW or not (longest or here > STAYS_ABOVE):
        span, span_s = next((one for one in SPANS if size * one[1] <= LARGEST), SPANS[-1])
        return RateUnit(unit, span, span_s)
    return RateUnit(unit, current.span, current.span_s)


def write_rate(per_s: float, u: float | None, unit: RateUnit) -> QuantityText:
    """Write a drift a second in `unit`, with at most `DIGITS` digits."""
    value, spread = per_s * unit.span_s, None if u is None else u * unit.span_s
    text = write_fraction(value, spread, unit.unit)
    whole, _, decimals = text.digits.lstrip("+-").partition(".")
    most = max(min(DECIMALS, DIGITS - len(whole)), 0)
    if len(decimals) > most:
        text = write_fraction(value, spread, unit.unit, decimals=most)
    return QuantityText(text.digits, text.u, unit.name)


def _fraction_unit(per_s: float, unit: OffsetUnit, current: OffsetUnit) -> OffsetUnit:
    hour_s = SPANS[0][1]
    for one in OFFSET_UNITS[OFFSET_UNITS.index(unit) :]:
        finer_now = current.size < one.size
        if per_s * hour_s / one.size >= (BACK_ABOVE if finer_now else LEAST):
            return one
    return unit
