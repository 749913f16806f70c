"""What was so at the time: conditions of each record, conditions that were typed, and notes."""

from collections.abc import Iterator
from typing import Final

from benchwatch.estimate.uncertainty.offset_record import CAUTION
from benchwatch.quantity import listed
from benchwatch.register.visit import Remark
from benchwatch.report.blocks import Sentence, Table
from benchwatch.report.contents.report_blocks import Facts
from benchwatch.report.contents.report_source import NOT_STATED, ReportSource
from benchwatch.report.contents.unit_facts import CUSTOMER_CONDITIONS

ELSEWHERE: Final = frozenset({CAUTION, "counter"})
"""Conditions of a record that the report states in another place."""
NOTES: Final = frozenset({"note", "power"})
"""Kinds of remarks that are notes."""


def condition_blocks(source: ReportSource) -> Iterator[Sentence | Facts]:
    """Yield the conditions of the records and those that were typed; without any that is said."""
    rows = [(name, f"{text}, {at}") for name, text, at in typed_conditions(source)]
    kinds: dict[str, list[str]] = {}
    for one in source.results:
        stated = [
            f"{name}: {text}" for name, text in one.record.conditions if name not in ELSEWHERE
        ]
        kinds.setdefault("; ".join(stated), []).append(one.record.kind)
    rows += [(listed(those), stated) for stated, those in kinds.items() if stated]
    if not typed_conditions(source):
        rows.insert(0, ("air, supply", NOT_STATED))
    yield Facts(tuple(rows))


def note_blocks(source: ReportSource) -> Iterator[Table]:
    """Yield all notes with their times."""
    rows = notes(source)
    if rows:
        yield Table(("time", "note"), tuple(rows))


def typed_conditions(source: ReportSource) -> list[tuple[str, str, str]]:
    """Return name, text and time of each condition that was typed, but those of the customer."""
    return [
        (one.name or "condition", _text(one), source.style.moment(one.at_utc_s))
        for one in source.visit.remarks
        if one.kind == "condition" and one.name.lower() not in CUSTOMER_CONDITIONS
    ]


def notes(source: ReportSource) -> list[tuple[str, str]]:
    """Return time and text of each note."""
    return [
        (source.style.moment(one.at_utc_s), _text(one))
        for one in source.visit.remarks
        if one.kind in NOTES
    ]


def _text(one: Remark) -> str:
    return one.text + (f" (amended: {one.amended})" if one.amended else "")
