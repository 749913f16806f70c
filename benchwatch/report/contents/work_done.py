"""What was done: the turns of the trimmer, the tool, the warm-up, and how it settled."""

from collections.abc import Iterator
from typing import Final

from benchwatch.measured_visit.measured_visit import SettleMark
from benchwatch.pipeline.event_log import SETTLE_WORDS
from benchwatch.quantity import how_many, listed
from benchwatch.report.blocks import Sentence
from benchwatch.report.contents.report_blocks import Figure
from benchwatch.report.contents.report_source import ReportSource
from benchwatch.report.offset_amounts import amount

MOST_LISTED: Final = 12
"""Turns, or verdicts, that a sentence lists; of more the first and the last ones."""
NO_READINGS: Final = "No readings of this visit are at hand."
NOT_TURNED: Final = "No turn of the trimmer is seen in the readings."


def work_blocks(source: ReportSource) -> Iterator[Sentence | Figure]:
    """Yield the visit as charts, and how much was measured."""
    yield Figure("visit")
    yield Figure("landing")
    measured = source.measured
    readings = sum(run.readings for run in measured.runs)
    if not readings:
        yield Sentence(NO_READINGS)
        return
    runs = how_many(sum(1 for run in measured.runs if run.readings), "run")
    hatched = " Where a chart is hatched, the tool was on the trimmer." * bool(measured.tool_on)
    yield Sentence(f"Measured: {how_many(readings, 'reading')} in {runs}.{hatched}")


def warm_up_blocks(source: ReportSource) -> Iterator[Sentence | Figure]:
    """Yield the warm-up as a chart, and each new verdict on whether it had settled."""
    yield Figure("warm-up", shows_title=False)
    measured = source.measured
    if measured.power_on_utc_s is not None:
        yield Sentence(f"Power on: {source.style.moment(measured.power_on_utc_s)}.")
    marks = measured.settle_marks
    if marks:
        words = [_mark_words(source, one) for one in marks]
        yield Sentence(f"Settled or not: {_some(words)}.")
    elif any(run.readings for run in measured.runs):
        yield Sentence("No verdict was given on whether it had settled.")


def trim_blocks(source: ReportSource) -> Iterator[Sentence]:
    """Yield each turn with its size, and what the tool pulled."""
    measured, visit = source.measured, source.visit
    if measured.turns:
        turns = how_many(len(measured.turns), "turn")
        yield Sentence(f"{turns}, ± u (k = 1): {_some(list(_turn_words(source)))}.")
    elif any(run.readings for run in measured.runs):
        yield Sentence(NOT_TURNED)
    if visit.pulls:
        pulls = [amount(size, u) for size, u in visit.pulls]
        yield Sentence(f"The tool on the trimmer pulls {_some(pulls)} (± u, k = 1).")
    if measured.tool_on:
        still = "; it was still on at the end" if measured.tool_on[-1].end_utc_s is None else ""
        yield Sentence(f"The tool was on the trimmer {times_words(len(measured.tool_on))}{still}.")


def _turn_words(source: ReportSource) -> Iterator[str]:
    """Yield number (as in the chart), time to the second and size of each turn.

    The day stands with the first turn on it, and with the first one after those left out.
    """
    style, turns, day = source.style, source.measured.turns, ""
    resumes = len(turns) - MOST_LISTED // 2 + 1 if len(turns) > MOST_LISTED else 1
    for number, turn in enumerate(turns, 1):
        at = style.second(turn.utc_s)
        if number != resumes and style.day(turn.utc_s) == day:
            at = at.removeprefix(day).lstrip()
        day = style.day(turn.utc_s)
        yield f"{number}: {at} {amount(turn.size, turn.u)}"


def _mark_words(source: ReportSource, mark: SettleMark) -> str:
    return f"{source.style.moment(mark.utc_s)} {SETTLE_WORDS[mark.state]}"


def times_words(number: int) -> str:
    """Write how often: ``once``, ``twice``, ``3 times``."""
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def _some(words: list[str]) -> str:
    """Write all of a few phrases; of many the first and last ones, and how many are between."""
    if len(words) <= MOST_LISTED:
        return listed(words)
    half = MOST_LISTED // 2
    between = len(words) - 2 * half
    return f"{', '.join(words[:half])}, then {between} more, {listed(words[-half:])}"
