"""Offsets and limits as the pages on visits write them."""

from benchwatch.quantity import OffsetUnit, offset_unit, write_fraction
from benchwatch.register.visit import VisitRecord
from benchwatch.report.visit_style import NAMELESS


def amount(offset: float, u: float | None, unit: OffsetUnit | None = None) -> str:
    """Write an offset (fractional) with its u, or alone where that is not known."""
    text = write_fraction(offset, u, unit or offset_unit(max(abs(offset), u or 0.0)))
    return text.bare if u is None else str(text)


def record_amount(one: VisitRecord | None) -> str:
    """Write the offset on record, with ``!`` where it may be wrong; ``-`` where there is none."""
    if one is None:
        return NAMELESS
    return amount(one.record.offset, one.record.known_u) + " !" * bool(one.record.caution)


def short_limit(fraction: float) -> str:
    """Write a limit as short as it was typed."""
    unit = offset_unit(fraction)
    return f"{fraction / unit.size:.6g} {unit.name}"
