"""How it was measured: counters and runs, what is corrected or left out, conditions and notes."""

from collections.abc import Iterator
from typing import Final

from benchwatch.estimate.uncertainty.offset_record import CAUTION
from benchwatch.measured_visit.measured_visit import MeasuredRun
from benchwatch.quantity import format_duration, listed
from benchwatch.register.visit import Remark
from benchwatch.report.blocks import Sentence, Table
from benchwatch.report.contents.report_blocks import Facts
from benchwatch.report.contents.report_source import NOT_STATED, ReportSource
from benchwatch.report.contents.unit_facts import CUSTOMER_CONDITIONS
from benchwatch.report.visit_style import NAMELESS

HOW: Final = (
    "Corrected: the stated offset of the reference, and what a comparison said of a time "
    "base. In no result: spikes, repeated and overrange readings, other dial settings. The u of "
    "noise is the deviation at the averaging time, not s/√n; budgets by JCGM 100:2008."
)
ELSEWHERE: Final = frozenset({CAUTION, "counter"})
"""Conditions of a record that the report states in another place."""
CHANGED_LIMITS: Final = frozenset({"tolerance", "settle limit"})
"""Conditions that say nothing of the surroundings."""
NOTES: Final = frozenset({"note", "power"})
"""Kinds of remarks that are notes."""


def method_blocks(source: ReportSource) -> Iterator[Sentence | Table]:
    """Yield how readings become results, then the runs with their counters."""
    yield Sentence(HOW)
    if source.visit.settle:
        yield Sentence(f"Settled means: moves by less than {source.visit.settle}.")
    identities = dict.fromkeys(
        f"{run.counter}: {run.identity}" for run in source.measured.runs if run.identity
    )
    if identities:
        yield Sentence(f"Counters, as they answer: {listed(identities)}.")
    if source.measured.runs:
        yield Table(
            (
                "run",
                "began",
                "counter",
                "gate",
                "time base",
                "readings",
                "gaps",
                "spikes",
                "journal",
            ),
            tuple(_row(source, run) for run in source.measured.runs),
        )
    elif source.visit.runs:
        yield Table(
            ("began", "counter", "journal"),
            tuple(
                (source.style.moment(run.at_utc_s), run.counter, run.journal)
                for run in source.visit.runs
            ),
        )


def _row(source: ReportSource, run: MeasuredRun) -> tuple[str, ...]:
    gaps = str(run.gaps)
    if run.gaps and run.missing_s > 0:
        gaps += f" ({format_duration(run.missing_s)})"
    return (
        NAMELESS if run.number is None else str(run.number),
        NAMELESS if run.began_utc_s is None else source.style.moment(run.began_utc_s),
        run.counter,
        ", ".join(map(format_duration, run.gates_s)) or NAMELESS,
        run.time_base,
        str(run.readings),
        gaps,
        str(run.spikes),
        run.journal or NAMELESS,
    )


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
    if all(name in CHANGED_LIMITS for name, _, _ in typed_conditions(source)):
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
