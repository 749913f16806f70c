"""The report in a few plain sentences, for whoever brought the unit and knows what a hertz is."""

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Any, Final

from benchwatch.measured_visit.measured_visit import SettleMark
from benchwatch.quantity import format_duration, format_frequency
from benchwatch.reading import AS_FOUND, AS_LEFT
from benchwatch.register.visit import VisitRecord
from benchwatch.report.blocks import Sentence
from benchwatch.report.contents.report_cautions import measurement_cautions
from benchwatch.report.contents.report_source import ReportSource
from benchwatch.report.contents.result_values import result_values
from benchwatch.report.contents.work_done import NOT_TURNED, times_words
from benchwatch.report.uncertainty_words import COVERAGE_WORDS

NO_RESULT: Final = "There is no result: neither as found nor as left is on record."
SEE_CAUTIONS: Final = "see the cautions"


def summary_blocks(source: ReportSource) -> Iterator[Sentence]:
    """Yield what was wrong, what was done, how good it is now, and how sure that is."""
    said = " ".join(_sentences(source))
    if measurement_cautions(source) and SEE_CAUTIONS not in said:
        said += " Read the cautions below as well."
    yield Sentence(said)


def _sentences(source: ReportSource) -> Iterator[str]:
    """Yield the sentences; each number stands in the results too, or is an end of value ± U."""
    stated = {one.record.kind: one for one in source.results}
    left = stated.pop(AS_LEFT, None)
    who = "the unit" if source.visit.unit is None else f"unit {source.visit.unit}"
    for one in stated.values():
        yield _offset_words(source, one, who)
    if not source.results:
        yield NO_RESULT
    elif not stated:
        yield f"How {who} ran as found is not on record."
    yield from _work(source)
    if left is not None:
        yield _offset_words(source, left, "it")
    elif AS_FOUND in stated:
        yield "How it runs as left is not on record."
    if source.results:
        yield _how_sure(source, source.results[-1])


def _offset_words(source: ReportSource, one: VisitRecord, who: str) -> str:
    """Write which way a result is off, by how much, and on which side of the tolerance it is."""
    record, values = one.record, result_values(source, one)
    offset, hertz = values["offset"], values["hertz"]
    runs = "ran" if record.kind == AS_FOUND else "runs"
    value = Decimal(offset["value"])
    if abs(value) <= Decimal(offset["U"] or 0):
        where = "at its nominal as closely as could be measured"
    else:
        where = f"{'fast' if value > 0 else 'slow'} by {_size(offset)}"
        if hertz is not None and record.nominal_hz is not None:
            where += f" ({_size(hertz)} at {format_frequency(record.nominal_hz)})"
    said = f"{record.kind.capitalize()}, {who} {runs} {where}"
    if values["verdict"] == "not stated":
        said += f"; whether it is inside the tolerance {values['verdict_words']}"
    elif values["verdict_words"]:
        said += f", {values['verdict_words']}"
    return f"{said}; this value is doubtful." if record.caution else f"{said}."


def _how_sure(source: ReportSource, one: VisitRecord) -> str:
    """Write between which values the true offset lies, where U is known."""
    offset, record = result_values(source, one)["offset"], one.record
    if record.known_u is None:
        return f"How sure the value {record.kind} is, is not known: {SEE_CAUTIONS}."
    if offset["U"] is None or record.budget.missing or record.caution:
        return f"How sure the value {record.kind} is can't be said in full: {SEE_CAUTIONS}."
    value, half = Decimal(offset["value"]), Decimal(offset["U"])
    low, high = (f"{end:+f}" for end in (value - half, value + half))
    return (
        f"The true offset {record.kind} lies between {low} {offset['unit']} and {high} "
        f"{offset['unit']}, with a confidence of {COVERAGE_WORDS}."
    )


def _work(source: ReportSource) -> Iterator[str]:
    """Yield how often the trimmer was turned, when, and whether the unit settled after that."""
    measured, style = source.measured, source.style
    if not any(run.readings for run in measured.runs):
        return
    if not measured.turns:
        yield NOT_TURNED
        return
    first_s, last_s = measured.turns[0].utc_s, measured.turns[-1].utc_s
    first, last = style.moment(first_s), style.moment(last_s)
    when = f"at {first}"
    if first != last:
        same_day = style.day(first_s) == style.day(last_s)
        when = f"from {first} to "
        when += last.removeprefix(style.day(last_s)).lstrip() if same_day else last
    yield f"The trimmer was turned {times_words(len(measured.turns))}, {when}."
    yield _settled_words(measured.settle_marks, last_s)


def _settled_words(marks: Sequence[SettleMark], turned_s: float) -> str:
    """Write whether the unit has settled, in view of the last turn (Unix seconds)."""
    after = [one for one in marks if one.utc_s >= turned_s]
    settled = next((one for one in after if one.state == "settled"), None)
    if settled is not None:
        return f"It settled {format_duration(settled.utc_s - turned_s)} after the last turn."
    before = [one for one in marks if one.utc_s < turned_s]
    if not after and before and before[-1].state == "settled":
        return "It had settled before the last turn, and stayed so."
    return "It was not seen to settle after that."


def _size(stated: dict[str, Any]) -> str:
    """Write how large a stated value is, without its sign."""
    return f"{stated['value'].lstrip('+-')} {stated['unit']}"
