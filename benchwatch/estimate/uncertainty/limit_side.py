"""On which side of a limit a measured offset lies, by the one rule that all pages share.

An offset is inside ±limit where all of offset ± U is, outside where none of it is, and else it is
too near to tell; U is the expanded uncertainty of the usual coverage. This is the rule with guard
bands of U on both sides of the limit (JCGM 106:2012, 8.3).
"""

from typing import Literal

from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import (
    USUAL_COVERAGE,
    coverage_factor,
    whole_dof,
)

LimitSide = Literal["inside", "outside", "undecided"]


def limit_side(offset: float, reach: float | None, limit: float) -> LimitSide:
    """Return the side of ±`limit` on which an offset lies.

    Args:
        offset: fractional.
        reach: its expanded uncertainty U, fractional; None: unknown, so that nothing is decided.
        limit: fractional, above zero.
    """
    if reach is None:
        return "undecided"
    if abs(offset) + reach <= limit:
        return "inside"
    return "outside" if abs(offset) - reach > limit else "undecided"


def record_side(record: OffsetRecord, limit: float) -> LimitSide:
    """Return the side of ±`limit` (fractional) on which a record lies."""
    return limit_side(record.offset, usual_reach(record.known_u, record.budget.dof), limit)


def usual_reach(u: float | None, dof: float) -> float | None:
    """Return U of the usual coverage, in the unit of `u`; `u` itself where `dof` is below one."""
    if u is None or whole_dof(dof) < 1:
        return u
    return coverage_factor(whole_dof(dof), USUAL_COVERAGE) * u
