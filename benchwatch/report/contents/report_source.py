"""What a report is made from."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final, Literal

from benchwatch.clock import iso_time
from benchwatch.errors import RegisterError
from benchwatch.measured_visit.measured_visit import MeasuredVisit
from benchwatch.reading import AS_FOUND, AS_LEFT, MEASURED
from benchwatch.register.issued_report import ChainHead
from benchwatch.register.registered_unit import Unit
from benchwatch.register.visit import TYPED_TABLE, Visit, VisitRecord, nominal_of, tolerance_of
from benchwatch.report.laboratory.laboratory import Laboratory
from benchwatch.report.unit_standing import UnitStanding
from benchwatch.report.visit_style import VisitStyle

ReportPages = Literal["all", "customer"]
LARGEST_FRACTION: Final = 1e6
"""An offset or an uncertainty beyond this was never measured."""
PUT_RIGHT: Final = (
    "visits verify tells whether it is as it was written; visits amend puts it right."
)
NOT_STATED: Final = "not stated"
"""Stands in a place that is left for something."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportOptions:
    """What whoever makes a report chooses; no caution can be chosen away."""

    pages: ReportPages = "all"
    forecast: bool = False
    """Whether a forecast is asked for; it is shown only where the laboratory allows it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSource:
    """A visit with its unit, what was measured, and the laboratory.

    The same source gives the same document; nothing in it depends on the present time.
    """

    visit: Visit
    standing: UnitStanding | None
    """How its unit stood at the end of the visit: of the unit's visits, those up to this one; None
    for a nameless visit."""
    style: VisitStyle
    """How times are written; its present time is not used."""
    measured: MeasuredVisit = field(default_factory=MeasuredVisit)
    laboratory: Laboratory = field(default_factory=Laboratory)
    options: ReportOptions = field(default_factory=ReportOptions)
    head: ChainHead | None = None
    """The end of the register's chain when the report was issued; None in a draft."""
    simulated: bool = False
    """Whether the visit was on a simulated bench, so that nothing real was measured."""

    @property
    def unit(self) -> Unit | None:
        """The unit; None for a nameless visit."""
        return None if self.standing is None else self.standing.unit

    @property
    def tolerance(self) -> float | None:
        """The tolerance of the visit, else of its unit, fractional; None without one."""
        return tolerance_of(self.visit, self.unit)

    @property
    def nominal_hz(self) -> Decimal | None:
        """The nominal of the visit, else of its unit; None without one."""
        return nominal_of(self.visit, self.unit)

    @property
    def is_typed(self) -> bool:
        """Whether the visit was imported from a table that somebody typed."""
        return self.visit.source == TYPED_TABLE

    @property
    def end_utc_s(self) -> float:
        """When the visit ended: closed, or the newest that is on record of it; Unix seconds."""
        visit = self.visit
        if visit.closed_utc_s is not None:
            return visit.closed_utc_s
        ends = [run.ended_utc_s for run in self.measured.runs if run.ended_utc_s is not None]
        ends += [one.at_utc_s for one in visit.records]
        return max(ends, default=visit.opened_utc_s)

    @property
    def shows_forecast(self) -> bool:
        """Whether a forecast is asked for and allowed."""
        return self.options.forecast and self.laboratory.forecasts

    @property
    def results(self) -> tuple[VisitRecord, ...]:
        """The records that the report states: as found and as left, else the newest other one."""
        found = [one for one in (self.visit.as_found, self.visit.as_left) if one is not None]
        plain = [one for one in self.visit.records if one.record.kind == MEASURED]
        return tuple(found or plain[-1:])

    def refuse_impossible_numbers(self) -> None:
        """Refuse numbers that no measurement gives, as after a change of the register by hand.

        Raises:
            RegisterError: an offset or its u is beyond all measure, or a time is in no calendar;
                the message names the entry, or the visit.
        """
        if None in map(iso_time, (self.visit.opened_utc_s, self.end_utc_s)):
            label = self.style.label(self.visit)
            raise RegisterError(f"visit {label} holds a time that no clock gives. {PUT_RIGHT}")
        visits = (self.visit, *(() if self.standing is None else self.standing.visits))
        for visit in visits:
            for entry, values in _fractions(visit):
                if not all(abs(value) <= LARGEST_FRACTION for value in values if value is not None):
                    raise RegisterError(
                        f"{self.style.entry(entry)}, an entry of visit {self.style.label(visit)}, "
                        f"holds a number that no measurement gives. {PUT_RIGHT}"
                    )

    def missing_results(self) -> tuple[str, ...]:
        """Return the kinds of records, as found and as left, that the visit has none of."""
        there = {one.record.kind for one in self.visit.records}
        return tuple(kind for kind in (AS_FOUND, AS_LEFT) if kind not in there)


def _fractions(visit: Visit) -> Iterator[tuple[str, tuple[float | None, ...]]]:
    """Yield the offsets and uncertainties of a visit, with the entry that they are of."""
    for one in visit.records:
        yield one.entry, (one.record.offset, one.record.u)
    for done in visit.checks:
        check = done.check
        stated = (check.foretold, check.foretold_u, check.read, check.read_u)
        yield done.entry, (*stated, check.difference, check.expanded, check.limit)
    for size, u in visit.pulls:
        yield visit.name, (size, u)
