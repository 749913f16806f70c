"""Cautions of safety and of measurement. They stand on every report; nothing switches them off."""

from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

from benchwatch.estimate.dial_check import DOES_NOT_FOLLOW
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.pipeline.dial_check_words import difference_words
from benchwatch.quantity import format_frequency, listed
from benchwatch.reading import TYPED
from benchwatch.register.visit import VisitRecord
from benchwatch.report.blocks import Sentence
from benchwatch.report.contents.report_blocks import ReportPart
from benchwatch.report.contents.report_source import ReportSource

SAFETY: Final = (
    "Covers off, there is mains voltage, and charge that stays after power-off; the oven is hot.",
    "Trim with a non-metallic tool only. Local codes and licensed practice come first.",
)
INTERNAL: Final = (
    "counted by the counter's own oscillator (internal time base), whose offset is in the result "
    "as far as it is not corrected"
)
UNKNOWN_TIME_BASE: Final = "the counter did not tell which time base it counted by"
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
    found += _of_each_record(source)
    found += _of_records(source)
    found += _of_the_visit(source)
    return found


def _of_each_record(source: ReportSource) -> Iterator[str]:
    """Yield what is to be said of one record alone."""
    for one in source.results:
        record = one.record
        if record.caution:
            yield f"The record {record.kind} may be wrong: {record.caution}."
        if record.known_u is None:
            yield f"The uncertainty of the record {record.kind} is unknown."
        if one.automatic:
            yield (
                f"The record {record.kind} was kept automatically, from the quiet stretch before "
                "the first turn."
            )
        if one.amended:
            yield f"The record {record.kind} was amended: {one.amended}."


def _of_records(source: ReportSource) -> Iterator[str]:
    """Yield what is to be said of several records at once."""
    for kinds, missing in _not_counted(source).items():
        yield f"U {listed(kinds)} may be larger: not counted is {'; '.join(missing)}."
    reasons: tuple[tuple[Callable[[VisitRecord], bool], str], ...] = (
        (_without_settle_limit, "whether it had settled is not known, for no limit was set"),
        (lambda one: _time_base(one) == "internal", INTERNAL),
        (lambda one: _time_base(one) == "unknown", UNKNOWN_TIME_BASE),
        (lambda one: _has_another_nominal(source, one), "against another nominal than the visit's"),
    )
    for is_so, words in reasons:
        kinds = tuple(one.record.kind for one in source.results if is_so(one))
        if kinds:
            yield f"{listed(kinds).capitalize()}: {words}."


def _of_the_visit(source: ReportSource) -> Iterator[str]:
    visit, runs = source.visit, source.measured.runs
    if source.is_typed:
        yield "The results were typed in from a table; this program did not measure them."
    elif any(run.resource == TYPED for run in visit.runs):
        yield "Readings were read off the counter and typed by a person."
    apart = [one.check for one in visit.checks if one.check.verdict == DOES_NOT_FOLLOW]
    if apart:
        yield _does_not_follow(apart)
    if visit.comparison is not None and visit.comparison.numbers.get("agree") is False:
        yield f"The counters that were compared disagree: {visit.comparison.text}."
    if visit.closed_utc_s is None:
        yield "The visit is still open."
    tool = source.measured.tool_on
    if tool and tool[-1].end_utc_s is None:
        yield "The tool was still on the trimmer at the end."
    if runs and runs[-1].began_utc_s is not None and not runs[-1].end_reason:
        goes_on = "it goes on, or " if visit.closed_utc_s is None else ""
        yield f"The last run did not end in order: {goes_on}it was cut off."
    yield from source.measured.notes


def _does_not_follow(checks: Sequence[DialCheck]) -> str:
    """Write that the output at other dial settings is not where the main result puts it."""
    settings = (
        f"at {format_frequency(one.setting_hz)} it differs by "
        f"{difference_words(one) or 'an amount that is not known'}"
        for one in checks
    )
    here = format_frequency(checks[0].nominal_hz)
    return (
        f"Dialled to another setting, the output does not follow the offset at {here}: "
        f"{', '.join(settings)}."
    )


def _not_counted(source: ReportSource) -> dict[tuple[str, ...], list[str]]:
    """Return what is in no budget, by the kinds of the results that it belongs to."""
    known = [one.record for one in source.results if one.record.known_u is not None]
    found: dict[tuple[str, ...], list[str]] = {}
    for missing in dict.fromkeys(what for one in known for what in one.budget.missing):
        kinds = tuple(str(one.kind) for one in known if missing in one.budget.missing)
        found.setdefault(kinds, []).append(missing)
    return found


def _has_another_nominal(source: ReportSource, one: VisitRecord) -> bool:
    stated, its_own = source.nominal_hz, one.record.nominal_hz
    return stated is not None and its_own is not None and float(stated) != its_own


def _without_settle_limit(one: VisitRecord) -> bool:
    return bool(one.record.readings) and "settle" not in dict(one.record.conditions)


def _time_base(one: VisitRecord) -> str | None:
    """Return the source of the time base; None where the record was not measured here."""
    stated = dict(one.record.conditions).get("time base")
    return stated or ("unknown" if one.record.readings else None)
