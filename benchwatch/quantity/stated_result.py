"""Results stated with an expanded uncertainty, in digits that agree (JCGM 100:2008, 7.2)."""

import math
from dataclasses import dataclass

from benchwatch.quantity.formatting import QuantityText, write_fraction
from benchwatch.quantity.units import OffsetUnit


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedResult:
    """A result as text; what is not known is None.

    The value has the decimals of U, and U and u two significant digits (GUM 7.2.6).
    """

    value: str
    """Always signed: ``+36.970``."""
    expanded: str | None
    """U, the expanded uncertainty: ``0.049``."""
    u: str | None
    """Combined standard uncertainty: ``0.024``."""
    unit: str

    def __str__(self) -> str:
        """Write it as GUM 7.2.4 does, ``(+36.970 ± 0.049) ppb``; without U the value alone."""
        if self.expanded is None:
            return f"{self.value} {self.unit}"
        return f"({self.value} ± {self.expanded}) {self.unit}"


def state_result(
    value: float, u: float | None, expanded: float | None, *, unit: str, size: float = 1.0
) -> StatedResult:
    """Write a result, its standard and its expanded uncertainty in one unit.

    Args:
        value: the result.
        u: its combined standard uncertainty; None: not known.
        expanded: U; None: not stated, the value then has the decimals of `u`.
        unit: name of the unit.
        size: of the unit, in that of the arguments.
    """
    scale = OffsetUnit(name=unit, size=size)
    whole = write_fraction(value, expanded if expanded is not None else u, scale)
    return StatedResult(
        value=whole.digits,
        expanded=None if expanded is None else whole.u,
        u=None if u is None else _alone(u, scale).u,
        unit=unit,
    )


def state_as_power(value: float, u: float | None, expanded: float | None) -> StatedResult:
    """Write a fraction, its u and its U as numbers times one power of ten, which is the unit.

    The unit is such as ``× 10^-8``; the power fits the largest of the three.
    """
    largest = max(abs(value), u or 0.0, expanded or 0.0)
    power = math.floor(math.log10(largest)) if largest > 0 else 0
    return state_result(value, u, expanded, unit=f"× 10^{power}", size=10.0**power)


def _alone(size: float, unit: OffsetUnit) -> QuantityText:
    return write_fraction(size, size, unit)
