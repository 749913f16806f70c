"""Units and visits as values for JSON."""

from collections.abc import Mapping
from typing import Any

from benchwatch.clock import iso_time
from benchwatch.estimate.ageing.unit_due import UnitDue
from benchwatch.estimate.ageing.visit_history import Interval
from benchwatch.estimate.uncertainty.uncertainty_budget import DEFAULT_COVERAGE, USUAL_COVERAGE
from benchwatch.quantity import printable
from benchwatch.register.registered_unit import Unit
from benchwatch.register.visit import Remark, Visit, VisitCheck, VisitRecord, utc_of
from benchwatch.register.visit_amendments import Amendment
from benchwatch.register.visit_summary import OffsetInBrief, VisitSummary
from benchwatch.report.amendment_words import stated_words
from benchwatch.report.due_words import due_words, history_cautions
from benchwatch.report.unit_standing import UnitStanding


def unit_values(unit: Unit) -> dict[str, Any]:
    """Return what a unit states of itself."""
    return {
        "ident": unit.ident,
        "nominal_hz": None if unit.nominal_hz is None else float(unit.nominal_hz),
        "tolerance": unit.tolerance, "settle": unit.settle,
        "settle_horizon_s": unit.settle_horizon_s, "working_hz": list(unit.working_hz),
        "checks": list(unit.checks),
        "description": unit.description, "place": unit.place, "owner": unit.owner,
    }  # fmt: skip


def standing_values(standing: UnitStanding, now_utc_s: float) -> dict[str, Any]:
    """Return a unit with its newest record, its ageing and when it is due."""
    newest, rate, ahead = standing.newest, standing.rate, standing.in_a_year()
    visits = standing.visits
    return {
        "kind": "unit", **unit_values(standing.unit), "visits": len(visits),
        "last_visit": None if not visits else visits[-1].name,
        "last_visit_opened": None if not visits else iso_time(visits[-1].opened_utc_s),
        "newest": None if newest is None else
        {"time": iso_time(newest.utc_s), "offset": newest.offset, "u": newest.u,
         "caution": newest.caution or None},
        "inside": standing.inside, "side": standing.side,
        "ageing": None if rate is None else
        {"per_year": rate.per_year, "u": rate.u, "intervals": rate.intervals,
         "u_counts_scatter": rate.counts_scatter},
        "in_a_year": None if ahead is None else
        {"offset": ahead.offset, "low": ahead.low, "high": ahead.high,
         "coverage": DEFAULT_COVERAGE},
        "due": due_values(standing.due, now_utc_s),
        "cautions": list(history_cautions(standing.history)),
    }  # fmt: skip


def due_values(due: UnitDue, now_utc_s: float) -> dict[str, Any]:
    """Return when a unit is due; dates that are not known are None."""

    def date(utc_s: float | None) -> str | None:
        return None if utc_s is None else (iso_time(utc_s) or "")[:10] or None

    return {
        "state": due.state, "date": date(due.due_utc_s), "earliest": date(due.earliest_utc_s),
        "latest": date(due.latest_utc_s), "horizon": date(due.horizon_utc_s),
        "words": due_words(due, now_utc_s),
    }  # fmt: skip


def interval_values(interval: Interval) -> dict[str, Any]:
    """Return a change between two visits."""
    return {
        "kind": "interval", "from_visit": interval.from_visit, "to_visit": interval.to_visit,
        "from": iso_time(interval.from_utc_s), "to": iso_time(interval.to_utc_s),
        "days": interval.days, "change": interval.change, "u": interval.u,
        "per_year": interval.per_year, "u_per_year": interval.u_per_year,
        "shared_known": interval.shared_known,
    }  # fmt: skip


def summary_values(visit: VisitSummary) -> dict[str, Any]:
    """Return a visit in brief."""
    return {
        "kind": "visit", "visit": visit.name, "number": visit.number, "unit": visit.unit,
        "opened": iso_time(visit.opened_utc_s), "closed": _time(visit.closed_utc_s),
        "source": visit.source, "counter": visit.counter,
        "nominal_hz": None if visit.nominal_hz is None else float(visit.nominal_hz),
        "tolerance": visit.tolerance, "as_found": _brief(visit.as_found),
        "as_left": _brief(visit.as_left),
    }  # fmt: skip


def visit_values(visit: Visit, run_numbers: Mapping[int, int]) -> dict[str, Any]:
    """Return all of a visit; `run_numbers` are those in the journal, by key of the run."""
    return {
        "kind": "visit", "visit": visit.name, "number": visit.number, "unit": visit.unit,
        "opened": iso_time(visit.opened_utc_s), "closed": _time(visit.closed_utc_s),
        "closed_by": visit.closed_by or None, "source": visit.source, "counter": visit.counter,
        "resource": visit.resource,
        "nominal_hz": None if visit.nominal_hz is None else float(visit.nominal_hz),
        "tolerance": visit.tolerance,
        "runs": [
            {"key": run.key, "number": run_numbers.get(run.key), "time": iso_time(run.at_utc_s),
             "journal": run.journal, "counter": run.counter, "resource": run.resource,
             "entry": run.entry}
            for run in visit.runs
        ],
        "records": [_record(one) for one in visit.records],
        "pulls": [{"size": size, "u": u} for size, u in visit.pulls],
        "checks": [_check(one) for one in visit.checks],
        "remarks": [_remark(one) for one in visit.remarks],
        "amendments": [_amendment(one) for one in visit.amendments],
        "reports": [
            {"entry": one.entry, "time": iso_time(one.at_utc_s), "who": one.who, "form": one.form,
             "pages": one.pages, "file": one.file, "sha256": one.sha256, **one.issue.as_dict()}
            for one in visit.issues
        ],
    }  # fmt: skip


def _record(one: VisitRecord) -> dict[str, Any]:
    record = one.record
    expanded = record.expanded(USUAL_COVERAGE)
    whole = record.as_dict()
    if record.known_u is None:
        for row in whole["budget"]["lines"]:
            row |= {"u": None, "contribution": None}
    return {
        "entry": one.entry, "offset": record.offset, "u": record.known_u,
        "expanded": None if expanded is None else
        {"half_width": expanded.half_width, "k": expanded.k, "coverage": expanded.coverage},
        "automatic": one.automatic, "amended": one.amended or None,
        "caution": record.caution or None, "record": whole,
    }  # fmt: skip


def _check(one: VisitCheck) -> dict[str, Any]:
    return {
        "entry": one.entry, "time": iso_time(one.check.utc_s), **one.check.as_dict(),
        "text": one.text, "amended": one.amended or None,
    }  # fmt: skip


def _remark(one: Remark) -> dict[str, Any]:
    return {
        "entry": one.entry, "time": iso_time(one.at_utc_s), "kind": one.kind,
        "name": one.name or None, "text": one.text, "amended": one.amended or None,
        **({"comparison": one.numbers} if one.numbers else {}),
    }  # fmt: skip


def _amendment(one: Amendment) -> dict[str, Any]:
    return {
        "entry": one.entry, "time": iso_time(utc_of(one.at)), "kind": "amendment", "name": None,
        "text": printable(one.text, 500) if isinstance(one.text, str) else "", "amended": None,
        "amends": one.amends, "of_kind": one.of_kind, "withdrawn": one.after is None,
        "before": stated_words(one, one.before, one.unit_before) or None,
        "after": None if one.after is None else stated_words(one, one.after, one.unit_after),
    }  # fmt: skip


def _brief(one: OffsetInBrief | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {"offset": one.offset, "u": one.u or None, "u_is_lower_limit": one.u_is_lower_limit,
            "caution": one.has_caution}  # fmt: skip


def _time(utc_s: float | None) -> str | None:
    return None if utc_s is None else iso_time(utc_s)
