"""The results of a visit as text: in a unit of fractions, in hertz, and with their verdict."""

from decimal import Decimal
from typing import Any, Final

from benchwatch.clock import iso_time
from benchwatch.estimate.derived_frequencies import elsewhere
from benchwatch.estimate.uncertainty.decision_rule import Conformity, conformity
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import USUAL_COVERAGE, Expanded
from benchwatch.pipeline.event_log import limit_words
from benchwatch.quantity import (
    OffsetUnit,
    format_duration,
    format_frequency,
    offset_unit,
)
from benchwatch.quantity.stated_result import StatedResult, state_as_power, state_result
from benchwatch.register.registered_unit import hertz_text
from benchwatch.register.visit import VisitRecord
from benchwatch.report.contents.report_source import ReportSource
from benchwatch.report.record_document import budget_table, record_unit
from benchwatch.report.uncertainty_words import (
    COVERAGE_WORDS,
    dof_words,
    factor_words,
    result_statement,
)

U_UNKNOWN: Final = "u unknown"
"""Stands beside a value without an uncertainty."""
AS_FAR_AS_KNOWN: Final = "as far as its uncertainty is known"
"""Added to `inside` by a rule that counts U, where something that belongs in U is not known."""
SEEN_SHARE: Final = 0.01
"""A smaller u, as a part of a unit, asks for a smaller unit."""


def result_unit(record: OffsetRecord, tolerance: float | None) -> OffsetUnit:
    """Return the unit of a result: that of the tolerance where U is not too small for it."""
    fitting = record_unit(record)
    if tolerance is None:
        return fitting
    asked = offset_unit(tolerance)
    return asked if fitting.size < asked.size and record.u >= SEEN_SHARE * asked.size else fitting


def stated_offset(record: OffsetRecord, tolerance: float | None) -> StatedResult:
    """Return the offset on record with its u and U, in the unit that `result_unit` chooses."""
    unit, half = result_unit(record, tolerance), record.half_width(USUAL_COVERAGE)
    return state_result(record.offset, record.known_u, half, unit=unit.name, size=unit.size)


def stated_words(stated: StatedResult) -> str:
    """Write a result with U; without U, with u; without both it is said."""
    if stated.expanded is not None:
        return str(stated)
    if stated.u is None:
        return f"{stated}, {U_UNKNOWN}"
    return f"{stated}, u = {stated.u} {stated.unit}"


def result_values(source: ReportSource, one: VisitRecord) -> dict[str, Any]:
    """Return a record as values for JSON, every number a text."""
    record = one.record
    expanded = record.expanded(USUAL_COVERAGE)
    u, half = record.known_u, record.half_width(USUAL_COVERAGE)
    stated = stated_offset(record, source.tolerance)
    power = state_as_power(record.offset, u, half)
    utc_s = record.utc_s if record.utc_s is not None else one.at_utc_s
    verdict = result_verdict(source, record)
    tolerance = source.tolerance
    rows = budget_table(record, record_unit(record))
    return {
        "name": record.kind,
        "entry": source.style.entry(one.entry),
        "time": source.style.moment(utc_s),
        "utc": iso_time(utc_s),
        "readings": str(record.readings),
        "span": format_duration(record.span_s),
        "counter": record.counter,
        "automatic": one.automatic,
        "amended": one.amended,
        "typed": record.readings == 0,
        "nominal_hz": _nominal_text(source, record),
        "offset": _numbers(stated) | _factor(expanded),
        "hertz": _in_hertz(record, u, half),
        "fraction": {
            "value": _with_power(power.value, power),
            "u": _with_power(power.u, power),
            "U": _with_power(power.expanded, power),
            "text": stated_words(power),
        },
        "elsewhere": elsewhere_values(source, record),
        "statement": record_statement(record, source.tolerance),
        "tolerance": None if tolerance is None else limit_words(tolerance),
        "verdict": verdict,
        "verdict_words": verdict_words(source, record),
        "rule": source.laboratory.decision_rule,
        "conditions": [[name, value] for name, value in record.conditions],
        "caution": record.caution,
        "missing": list(record.budget.missing),
        "budget": {"header": list(rows.header), "rows": [list(row) for row in rows.rows]},
    }


def result_verdict(source: ReportSource, record: OffsetRecord) -> Conformity | None:
    """Return what the decision rule states of a record; None without a tolerance."""
    if source.tolerance is None:
        return None
    half = record.half_width(USUAL_COVERAGE)
    return conformity(source.laboratory.decision_rule, record.offset, half, source.tolerance)


def verdict_words(source: ReportSource, record: OffsetRecord) -> str:
    """Write what the rule states of a record; empty without a tolerance."""
    verdict, tolerance = result_verdict(source, record), source.tolerance
    if verdict is None or tolerance is None:
        return ""
    limit = f"the tolerance of ±{limit_words(tolerance)}"
    unknown = ""
    if record.known_u is None:
        unknown = "its uncertainty is unknown"
    elif record.expanded(USUAL_COVERAGE) is None:
        unknown = "too few degrees of freedom to state U"
    if verdict == "not stated":
        return f"can't be stated: {unknown or f'too near the limit of ±{limit_words(tolerance)}'}"
    why = f": {unknown}" if unknown and verdict == "not shown to be inside" else ""
    counts_u = source.laboratory.decision_rule != "simple"
    if verdict == "inside" and record.budget.missing and counts_u:
        why = f", {AS_FAR_AS_KNOWN}"
    return f"{verdict} {limit}{why}"


def record_statement(record: OffsetRecord, tolerance: float | None) -> str:
    """Write a record as the GUM asks; what is not known is said."""
    expanded, stated = record.expanded(USUAL_COVERAGE), stated_offset(record, tolerance)
    what = f"offset {record.kind}"
    if expanded is not None and stated.u is not None:
        return result_statement(
            what, stated, k=expanded.k, dof=expanded.dof,
            u_is_lower_limit=bool(record.budget.missing),
        )  # fmt: skip
    if stated.u is None:
        return f"{what} = {stated}; its uncertainty is unknown, and none is stated."
    return (
        f"{what} = {stated}, with a combined standard uncertainty u = {stated.u} {stated.unit}; U "
        "is not stated, for it has too few degrees of freedom."
    )


def elsewhere_values(source: ReportSource, record: OffsetRecord) -> list[dict[str, Any]]:
    """Return the offset in hertz at each frequency at which the unit is used."""
    unit, nominal_hz = source.unit, record.nominal_hz
    if unit is None or nominal_hz is None:
        return []
    half = record.half_width(USUAL_COVERAGE)
    there = elsewhere(record.offset, nominal_hz, unit.working_hz, record.known_u)
    values = []
    for one in there:
        expanded_hz = None if half is None else half * one.frequency_hz
        stated = state_result(one.offset_hz, one.u_hz, expanded_hz, unit="Hz")
        values.append(
            {
                "frequency": format_frequency(one.frequency_hz),
                "factor": f"{one.factor:.6g}",
                **_numbers(stated),
            }
        )
    return values


def _in_hertz(record: OffsetRecord, u: float | None, half: float | None) -> dict[str, Any] | None:
    nominal_hz, offset_hz = record.nominal_hz, record.offset_hz
    if nominal_hz is None or offset_hz is None:
        return None
    u_hz, half_hz = (None if one is None else one * nominal_hz for one in (u, half))
    return _numbers(state_result(offset_hz, u_hz, half_hz, unit="Hz"))


def _factor(expanded: Expanded | None) -> dict[str, str | None]:
    """Return how U comes from u; None where U is not stated."""
    if expanded is None:
        return {"k": None, "dof": None, "coverage": None}
    return {
        "k": factor_words(expanded.k),
        "dof": dof_words(expanded.dof),
        "coverage": COVERAGE_WORDS,
    }


def _numbers(stated: StatedResult) -> dict[str, Any]:
    return {
        "value": stated.value,
        "unit": stated.unit,
        "u": stated.u,
        "U": stated.expanded,
        "text": stated_words(stated),
    }


def _with_power(digits: str | None, power: StatedResult) -> str | None:
    """Write a number of `state_as_power` as programs read it: ``+3.6970e-8``."""
    return None if digits is None else f"{digits}e{power.unit.rpartition('^')[2]}"


def _nominal_text(source: ReportSource, record: OffsetRecord) -> str | None:
    stated = source.nominal_hz
    if record.nominal_hz is None or (stated is not None and float(stated) == record.nominal_hz):
        return hertz_text(stated)
    return hertz_text(Decimal(repr(record.nominal_hz)))
