"""Cautions of safety and of measurement. They stand on every report; nothing switches them off."""

from collections.abc import Iterator
from typing import Any, Final

from benchwatch.estimate.dial_check import DOES_NOT_FOLLOW
from benchwatch.pipeline.dial_check_words import check_words
from benchwatch.quantity import listed
from benchwatch.reading import TYPED
from benchwatch.register.visit import VisitRecord
from benchwatch.report.blocks import Sentence
from benchwatch.report.contents.report_blocks import ReportPart
from benchwatch.report.contents.report_source import ReportSource

SAFETY: Final = (
    "Covers off: mains voltage, and charge that stays after the power is off; the oven is hot.",
    "Trim with a non-metallic tool only. Local codes and licensed practice come first.",
)
NOTHING_REAL: Final = (
    "SIMULATED BENCH: nothing real was measured. This report is for practice only."
)


def caution_blocks(source: ReportSource) -> Iterator[ReportPart]:
    """Yield all cautions, those of measurement first."""
    values = caution_values(source)
    for caution in values["measurement"]:
        yield Sentence(caution, "warning")
    yield Sentence(" ".join(values["safety"]), "warning")


def caution_values(source: ReportSource) -> dict[str, Any]:
    """Return the cautions of safety, and of measurement, a sentence each."""
    return {"safety": list(SAFETY), "measurement": list(measurement_cautions(source))}


def measurement_cautions(source: ReportSource) -> list[str]:
    """Return why the results may be less than they seem, the weightiest reasons first."""
    found = [NOTHING_REAL] * source.simulated
    found += [f"There is no record {kind}." for kind in source.missing_results()]
    found += _of_records(source)
    found += _of_the_visit(source)
    return found


def _of_records(source: ReportSource) -> Iterator[str]:
    for one in source.results:
        record = one.record
        if record.caution:
            yield f"The record {record.kind} may be wrong: {record.caution}."
        if record.known_u is None:
            yield f"The uncertainty of the record {record.kind} is unknown."
        elif record.budget.missing:
            missing = "; ".join(record.budget.missing)
            yield f"U {record.kind} is a lower limit: not counted is {missing}."
        if one.automatic:
            yield (
                f"The record {record.kind} was kept automatically, from the quiet stretch before "
                "the first turn."
            )
        if one.amended:
            yield f"The record {record.kind} was amended: {one.amended}."
    internal = [one.record.kind for one in source.results if _time_base(one) == "internal"]
    if internal:
        yield (
            f"Counted by the counter's own oscillator (internal time base): {listed(internal)}; "
            "that oscillator's offset is in the result as far as it is not corrected."
        )


def _of_the_visit(source: ReportSource) -> Iterator[str]:
    visit, runs = source.visit, source.measured.runs
    if source.is_typed:
        yield "The results were typed in from a table; this program did not measure them."
    elif any(run.resource == TYPED for run in visit.runs):
        yield "Readings were read off the counter and typed by a person."
    for one in visit.checks:
        if one.check.verdict == DOES_NOT_FOLLOW:
            yield f"Output {check_words(one.check)}."
    if visit.comparison is not None and visit.comparison.numbers.get("agree") is False:
        yield f"The counters that were compared disagree: {visit.comparison.text}."
    if visit.closed_utc_s is None:
        yield "The visit is still open."
    if runs and runs[-1].began_utc_s is not None and not runs[-1].end_reason:
        yield "The last run was cut off, and not ended in order."
    yield from source.measured.notes


def _time_base(one: VisitRecord) -> str:
    return dict(one.record.conditions).get("time base", "unknown")
