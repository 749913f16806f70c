"""The results: as found and as left, and on which side of the tolerance they are."""

from collections.abc import Iterator
from decimal import Decimal
from typing import Final

from benchwatch.estimate.dial_check import DOES_NOT_FOLLOW
from benchwatch.estimate.uncertainty.decision_rule import DecisionRule
from benchwatch.estimate.uncertainty.uncertainty_budget import USUAL_COVERAGE
from benchwatch.pipeline.event_log import limit_words
from benchwatch.quantity import format_duration, format_frequency, how_many
from benchwatch.register.registered_unit import hertz_text
from benchwatch.register.visit import VisitRecord
from benchwatch.report.blocks import Sentence, Table
from benchwatch.report.contents.report_blocks import ReportPart, Result
from benchwatch.report.contents.report_source import ReportSource
from benchwatch.report.contents.result_values import (
    result_values,
    verdict_words,
)
from benchwatch.report.uncertainty_words import (
    COVERAGE_WORDS,
    factor_words,
    freedom_words,
)
from benchwatch.report.visit_style import NAMELESS

RULE_SENTENCES: Final[dict[DecisionRule, str]] = {
    "three-answers": "Decision rule: inside where all of the value ± U lies within the tolerance, "
    "outside where none of it does, and else no statement (JCGM 106:2012, 8.3, guard bands of U).",
    "guarded": "Decision rule: inside where all of the value ± U lies within the tolerance, and "
    "else not shown to be inside (JCGM 106:2012, 8.3.2, guard band of U).",
    "simple": "Decision rule: inside where the value itself lies within the tolerance; its "
    "uncertainty is not counted (JCGM 106:2012, 8.2, simple acceptance).",
}
NO_TOLERANCE: Final = "No tolerance is stated, so nothing is said of inside or outside."
NOT_SO: Final = ", see cautions"
"""Beside a frequency at which the output was found not to follow the result."""
NOT_ON_RECORD: Final = "not on record"
OFFSET_SENTENCE: Final = (
    "The offset is (frequency - nominal)/nominal; above zero it runs fast; 1 ppb is 10^-9, one "
    "part in a thousand million. The number after ± is the expanded uncertainty U = k u, k from "
    "the t-distribution for the degrees of freedom: a level of confidence of "
    f"{COVERAGE_WORDS} (JCGM 100:2008, 7.2)."
)


def result_blocks(source: ReportSource) -> Iterator[ReportPart]:
    """Yield what was asked, and each result with its verdict; a missing one is said."""
    if source.tolerance is None:
        yield Sentence(NO_TOLERANCE)
    else:
        rule = RULE_SENTENCES[source.laboratory.decision_rule]
        nominal_hz = source.nominal_hz
        asked = f"Asked: within ±{limit_words(source.tolerance)}"
        if nominal_hz is not None:
            size_hz = hertz_text(Decimal(f"{source.tolerance * float(nominal_hz):.6g}"))
            asked += f" of {format_frequency(nominal_hz)}, which is ±{size_hz} Hz"
        yield Sentence(f"{asked}. {rule}")
    missing = {kind: Result(label=kind, value=NOT_ON_RECORD) for kind in source.missing_results()}
    found = {one.record.kind: _result(source, one) for one in source.results}
    yield from (missing | found).values() if len(missing) < 2 else (found or missing).values()
    if source.results:
        yield from _elsewhere(source)
        yield Sentence(OFFSET_SENTENCE, "quiet")


def other_record_blocks(source: ReportSource) -> Iterator[Table]:
    """Yield a table of the visit's other records: earlier ones, and plain measurements."""
    shown = {one.entry for one in source.results}
    others = [one for one in source.visit.records if one.entry not in shown]
    values = [result_values(source, one) for one in others]
    if values:
        yield Table(
            ("record", "offset", "k", "around", "readings", "entry"),
            tuple(
                (
                    one["name"] + " !" * bool(one["caution"]),
                    one["offset"]["text"],
                    one["offset"]["k"] or NAMELESS,
                    one["time"],
                    one["readings"],
                    one["entry"],
                )
                for one in values
            ),
        )


def _result(source: ReportSource, one: VisitRecord) -> Result:
    record = one.record
    values = result_values(source, one)
    hertz = "" if values["hertz"] is None else values["hertz"]["text"]
    expanded = record.expanded(USUAL_COVERAGE)
    known = ["doubtful, see the cautions"] * bool(record.caution)
    if expanded is not None:
        known.append(f"U with k = {factor_words(expanded.k)}, {freedom_words(expanded.dof)}")
    elif record.known_u is not None:
        known.append("U is not stated: too few degrees of freedom")
    if record.budget.missing and record.known_u is not None:
        known.append("U may be larger: see the cautions")
    if record.readings:
        span = format_duration(record.span_s)
        known.append(f"{how_many(record.readings, 'reading')} over {span} around {values['time']}")
    else:
        known.append(f"typed in, {values['time']}")
    return Result(
        label=record.kind,
        value=values["offset"]["text"],
        also="; ".join(filter(None, (hertz, values["fraction"]["text"]))),
        verdict=verdict_words(source, record),
        detail="; ".join(known),
    )


def _elsewhere(source: ReportSource) -> Iterator[ReportPart]:
    """Yield a table of the results at the frequencies at which the unit is used."""
    every = (result_values(source, one) for one in source.results)
    results = [one for one in every if one["elsewhere"]]  # without a nominal there is none
    if not results:
        return
    names = [f"{one['name']} ± U" for one in results]
    rows = zip(*(one["elsewhere"] for one in results), strict=True)
    checks = (one.check for one in source.visit.checks)
    elsewhere = {format_frequency(one.setting_hz) for one in checks
                 if one.verdict == DOES_NOT_FOLLOW}  # fmt: skip
    yield Table(
        ("computed for use at", *names),
        tuple(
            (
                row[0]["frequency"] + NOT_SO * (row[0]["frequency"] in elsewhere),
                *(one["text"] for one in row),
            )
            for row in rows
        ),
    )
