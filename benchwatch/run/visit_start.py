"""How the counters of a watch begin: with an open visit that goes on, or with a new one.

A visit goes on when its unit is named, however long ago it was; without a name the open visit whose
last run was on the same resource, under the same nominal, within `LONGEST_PAUSE_S`.
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Final, NamedTuple

from benchwatch.bus.file_wire import STANDARD_INPUT, file_of
from benchwatch.clock import Clock
from benchwatch.errors import JournalError, RegisterError
from benchwatch.estimate.results import SettleLimit
from benchwatch.journal.resume import (
    ASK_POWER_AFTER_S,
    EarlierRuns,
    find_interrupted,
    read_earlier,
)
from benchwatch.plan import Plan
from benchwatch.register.register_reader import RegisterReader, read_register
from benchwatch.register.register_writer import RegisterWriter
from benchwatch.register.registered_unit import Unit
from benchwatch.register.visit import Visit
from benchwatch.register.visit_writer import RunOfVisit, VisitWriter
from benchwatch.snapshot import LoggedEvent, Records

LONGEST_PAUSE_S: Final = 12 * 3600.0
"""A visit whose unit was not named this time goes on after a pause of so long at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitStart:
    """How one counter begins."""

    plan: Plan
    """Completed from the unit of the visit that goes on."""
    writer: VisitWriter
    visit: Visit | None = None
    """The open visit that goes on; None: a new one."""
    passed_over: Visit | None = None
    """An open visit on this resource that goes on only when its unit is named; None without one."""
    earlier: EarlierRuns | None = None
    """Results of its earlier runs; None without any."""


def with_unit(plan: Plan, unit: Unit) -> Plan:
    """Return `plan` for this unit: what is not stated in the plan is taken from the unit."""
    settle = plan.settle
    if settle is None and unit.settle is not None and unit.settle_horizon_s is not None:
        settle = SettleLimit(unit.settle, unit.settle_horizon_s)
    return replace(
        plan,
        unit=unit.ident,
        nominal=unit.nominal_hz if plan.nominal is None else plan.nominal,
        tolerance=unit.tolerance if plan.tolerance is None else plan.tolerance,
        settle=settle,
        working_hz=plan.working_hz or unit.working_hz,
        checks=plan.checks or unit.checks,
    )


def unit_of_plan(ident: str, plan: Plan, nominal: Decimal | None = None) -> Unit:
    """Return a new unit with what the plan of its counter states; `nominal` where that has none."""
    return Unit(
        ident=ident,
        nominal_hz=nominal if plan.nominal is None else plan.nominal,
        tolerance=plan.tolerance,
        settle=None if plan.settle is None else plan.settle.limit,
        settle_horizon_s=None if plan.settle is None else plan.settle.horizon_s,
        working_hz=plan.working_hz,
        checks=plan.checks,
    )


def start_visits(
    plans: Sequence[Plan],
    register: RegisterWriter,
    journal: Path,
    *,
    clock: Clock,
    resumes: bool = True,
    begins_at_once: bool = True,
) -> dict[str, VisitStart]:
    """Find the open visits of the planned counters, and return how each begins, by its name.

    A journal or register that can't be read gives no visit, without an error: both are reported
    when they are written.

    Args:
        plans: the counters; their units are in the register already.
        register: what the visits are written to.
        journal: the journal, for the results of earlier runs.
        clock: gives the present.
        resumes: whether open visits go on; else each counter begins a new one.
        begins_at_once: whether a visit begins with the first reading, and not only with a record.
    """
    return {
        plan.name: _start(
            plan, register, journal, clock, resumes=resumes, begins_at_once=begins_at_once
        )
        for plan in plans
    }


def _start(
    plan: Plan,
    register: RegisterWriter,
    journal: Path,
    clock: Clock,
    *,
    resumes: bool,
    begins_at_once: bool,
) -> VisitStart:
    """Return how one counter begins; arguments as those of `start_visits`."""
    utc_s = clock.utc()
    found, unit = _FoundVisit(), None
    is_in_visit: Callable[[int], bool] = lambda _: False  # noqa: E731 - as long as there is no register
    with suppress(RegisterError), read_register(register.register.path) as reader:
        if resumes:
            found = _open_visit(reader, plan, journal, utc_s)
        ident = plan.unit or (None if found.visit is None else found.visit.unit)
        unit = None if ident is None else reader.unit(ident)
        is_in_visit = reader.recent_runs().__contains__
    visit, earlier = found.visit, found.earlier
    nameless_input = plan.unit is None and file_of(plan.resource) == STANDARD_INPUT
    if visit is None and resumes and not nameless_input:
        earlier = _interrupted(plan, journal, utc_s)
        if earlier is not None and is_in_visit(earlier.runs[-1]):
            earlier = None  # that visit is closed, or another unit's
    known = () if visit is None else tuple(run.key for run in visit.runs)
    return VisitStart(
        plan=plan if unit is None else with_unit(plan, unit),
        writer=VisitWriter(
            register,
            visit=visit,
            unit=plan.unit,
            incomplete=unit if unit is not None and unit.nominal_hz is None else None,
            earlier_runs=[
                RunOfVisit(run=key, journal=journal.name, counter=plan.name, resource=plan.resource)
                for key in (() if earlier is None else earlier.runs)
                if key not in known
            ],
            begins_at_once=begins_at_once or plan.unit is not None,
            asks_power=earlier is not None and earlier.power_unanswered,
            clock=clock,
        ),
        visit=visit,
        passed_over=found.passed_over,
        earlier=earlier,
    )


def earlier_runs(starts: Mapping[str, VisitStart]) -> dict[str, EarlierRuns]:
    """Return the results of earlier runs, by name of the counter."""
    return {name: one.earlier for name, one in starts.items() if one.earlier is not None}


class _FoundVisit(NamedTuple):
    """The open visit that a counter goes on with."""

    visit: Visit | None = None
    earlier: EarlierRuns | None = None
    """Results of its earlier runs."""
    passed_over: Visit | None = None
    """An open visit that goes on only when its unit is named."""


def _open_visit(reader: RegisterReader, plan: Plan, journal: Path, utc_s: float) -> _FoundVisit:
    """Find the open visit that goes on.

    A visit that has a unit goes on without being named only where its run was interrupted: after an
    orderly end another unit may stand there.
    """
    if plan.unit is not None:
        visit = reader.open_visit_of(plan.unit)
        return _FoundVisit(visit, None if visit is None else _of_visit(visit, journal, utc_s))
    # A simulated bench has another oscillator each time, and standard input another writer.
    if plan.simulated is not None or file_of(plan.resource) == STANDARD_INPUT:
        return _FoundVisit()
    passed_over = None
    for visit in reader.open_visits(plan.resource, plan.nominal):
        earlier = _of_visit(visit, journal, utc_s)
        newest_s = max(visit.newest_utc_s, earlier.utc_s)
        if abs(utc_s - newest_s) > LONGEST_PAUSE_S:  # a clock may have been set back meanwhile
            continue
        if visit.unit is None or not earlier.ended_in_order:
            return _FoundVisit(visit, earlier, passed_over)
        passed_over = passed_over or visit
    return _FoundVisit(passed_over=passed_over)


def _of_visit(visit: Visit, journal: Path, utc_s: float) -> EarlierRuns:
    """Return the results of the earlier runs of `visit`, from the journal where that has them."""
    with suppress(JournalError):
        found = read_earlier(journal, [run.key for run in visit.runs], utc_s)
        if found is not None:
            return replace(found, records=_records(visit) or found.records)
    return _earlier_in_register(visit, utc_s)


def _interrupted(plan: Plan, journal: Path, utc_s: float) -> EarlierRuns | None:
    """Return the results of an interrupted run that may be in no visit."""
    with suppress(JournalError):
        return find_interrupted(
            journal,
            plan.resource,
            plan.nominal,
            plan.simulated,
            utc_s=utc_s,
            unit=plan.unit,
        )
    return None


def _records(visit: Visit) -> Records | None:
    """Return the records of a visit as the register has them, amended ones as amended."""
    found, left = visit.as_found, visit.as_left
    if found is None and left is None:
        return None
    return Records(
        as_found=None if found is None else found.record,
        as_found_automatic=found is not None and found.automatic,
        as_left=None if left is None else left.record,
    )


def _earlier_in_register(visit: Visit, utc_s: float) -> EarlierRuns:
    """Return what the register alone has of a visit whose runs are not in the journal any more."""
    notes = tuple(
        LoggedEvent(
            utc_s=one.at_utc_s,
            elapsed_s=one.at_utc_s - utc_s,
            kind="condition" if one.kind == "condition" else "mark",
            text=f"{one.name} {one.text}".strip(),
        )
        for one in visit.remarks
    )
    return EarlierRuns(
        runs=(),
        utc_s=visit.newest_utc_s,
        records=_records(visit) or Records(),
        samples=visit.pulls,
        notes=notes,
        nominal=visit.nominal_hz,
        power_unanswered=utc_s - visit.newest_utc_s > ASK_POWER_AFTER_S,
    )
