"""When a unit leaves its tolerance, by the intervals between its visits, and why it can't be told.

A date needs two visits. From one interval the rate is known as well as its records, but not the
law and not what a random walk adds, so its range is wide, and often open to later (see
`interval_ageing`). A unit that has not moved by more than its records' errors explain has no date
either: it is told before which day it won't be due, even if it ages as fast as those errors allow.
"""

from dataclasses import dataclass
from typing import Final, Literal

from benchwatch.estimate.ageing.interval_ageing import IntervalAgeing
from benchwatch.estimate.ageing.visit_history import YEAR_DAYS, DatedOffset, VisitHistory
from benchwatch.estimate.derived_frequencies import DAY_S

HORIZON_DAYS: Final = 20.0 * YEAR_DAYS
"""How far ahead a date is looked for, from the newest record."""

DueState = Literal[
    "no record",
    "no tolerance",
    "outside",
    "too near",
    "u unknown",
    "one visit",
    "doubtful date",
    "not moved",
    "known",
]
"""Too near: the newest record can't be told to be inside or outside. u unknown: it reads outside,
and for want of its uncertainty it can't be told either."""
PERHAPS_NOW: Final = frozenset({"too near", "u unknown"})
"""States of units that may be outside now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitDue:
    """When a unit is due; times are Unix seconds."""

    state: DueState
    due_utc_s: float | None = None
    """None: not within the horizon, or not known."""
    earliest_utc_s: float | None = None
    """None: not within the horizon, or not known."""
    latest_utc_s: float | None = None
    """None: not within the horizon, or not known."""
    horizon_utc_s: float | None = None
    """End of the forecast; None without one."""
    first_utc_s: float | None = None
    """First visit that counts; None without one."""
    newest_utc_s: float | None = None
    """Newest record; None without one."""
    newest_visit: str | None = None

    @property
    def order_utc_s(self) -> float | None:
        """What units are sorted by: the due date, else the earliest; None: neither is known."""
        if self.state == "outside" or self.state in PERHAPS_NOW:
            return self.newest_utc_s
        return self.due_utc_s if self.due_utc_s is not None else self.earliest_utc_s

    def may_be_due_by(self, utc_s: float) -> bool:
        """Return whether it is outside, overdue, or may leave its tolerance by `utc_s`."""
        dates = (self.order_utc_s, self.due_utc_s, self.earliest_utc_s)
        known = [at for at in dates if at is not None]
        return self.state == "outside" or (bool(known) and min(known) <= utc_s)


def unit_due(
    history: VisitHistory,
    ageing: IntervalAgeing | None,
    tolerance: float | None,
    horizon_days: float = HORIZON_DAYS,
) -> UnitDue:
    """Return when the unit leaves its tolerance.

    Args:
        history: its visits.
        ageing: what `interval_ageing` returns for them.
        tolerance: ± limit of the offset, fractional; None: none is set.
        horizon_days: how far ahead a date is looked for.
    """
    newest = history.newest
    state = _state(history, ageing, tolerance)
    if newest is None:
        return UnitDue(state=state)
    due = (
        ageing.due(tolerance, horizon_days)
        if ageing is not None and tolerance is not None and state in {"not moved", "known"}
        else None
    )

    def at(days: float | None) -> float | None:
        return None if days is None else newest.utc_s + days * DAY_S

    return UnitDue(
        state=state,
        due_utc_s=at(due.expected_days) if due is not None and state == "known" else None,
        earliest_utc_s=None if due is None else at(due.earliest_days),
        latest_utc_s=at(due.latest_days) if due is not None and state == "known" else None,
        horizon_utc_s=None if due is None else at(horizon_days),
        first_utc_s=history.joined[0].utc_s if history.joined else None,
        newest_utc_s=newest.utc_s,
        newest_visit=history.newest_visit,
    )


def _state(
    history: VisitHistory, ageing: IntervalAgeing | None, tolerance: float | None
) -> DueState:
    newest = history.newest
    if newest is None:
        return "no record"
    if tolerance is None or not tolerance > 0:
        return "no tolerance"
    out = _perhaps_out(newest, tolerance)
    if out is not None:
        return out
    if not history.newest_dated:
        return "doubtful date"
    if ageing is None:
        return "one visit"
    return "known" if ageing.moved else "not moved"


def _perhaps_out(newest: DatedOffset, tolerance: float) -> DueState | None:
    """Return the state of a record that is, or may be, outside the tolerance; None: it is not."""
    side = newest.side_of(tolerance)
    if side == "undecided" and newest.u is None:
        return "u unknown" if abs(newest.offset) > tolerance else None
    if side == "outside":
        return "outside"
    return "too near" if side == "undecided" else None
