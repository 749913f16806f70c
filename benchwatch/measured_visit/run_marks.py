"""What the notes of a run say: turns, tool, settle verdicts, power, corrections by a comparison."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final

from benchwatch.estimate.results import SettleState
from benchwatch.journal.run_source import RunSource
from benchwatch.journal.schema import JournalRun
from benchwatch.journal.trim_entries import (
    LARGEST_OFFSET,
    PROOF_KIND,
    ProofNote,
    json_object,
    noted_tool_state,
    proof_notes,
)
from benchwatch.measured_visit.measured_visit import SettleMark, Turn
from benchwatch.pipeline.event_log import SETTLE_WORDS
from benchwatch.quantity import printable
from benchwatch.reading import POWER_WORDS

MOST_MARKS: Final = 100_000
"""Most of these notes that are read of a run; a run of days has a few hundred."""
MARKING: Final = ("nudge", "tool", "settle", "power")
"""Kinds of notes that are read."""


@dataclass(slots=True)
class RunMarks:
    """What the notes of one run say, times in Unix seconds."""

    turns: dict[float, Turn] = field(default_factory=dict)
    """By their time: a turn is noted again whenever its size is better known."""
    pulls: list[float] = field(default_factory=list)
    """When the offset stepped because the tool was put on or lifted."""
    touches: list[tuple[float, bool]] = field(default_factory=list)
    """When the tool was put on (True) or lifted."""
    settled: list[SettleMark] = field(default_factory=list)
    was_off: bool = False
    """Whether it was said that the unit was switched off before this run."""
    proofs: Sequence[ProofNote] = ()


def read_marks(journal: RunSource, run: JournalRun) -> RunMarks:
    """Read the notes of a run; what is not readable is left out.

    Raises:
        JournalError: the journal can't be read.
    """
    marks = RunMarks(proofs=proof_notes(journal.notes(run, PROOF_KIND)))
    for elapsed_s, kind, document in journal.timed_notes(run, MARKING, MOST_MARKS):
        utc_s = run.started_utc_s + elapsed_s
        values = json_object(document)
        text = values.get("text")
        words = printable(text, 200) if isinstance(text, str) else ""
        on = noted_tool_state(kind, document)
        if on is not None:
            marks.touches.append((utc_s, on))
        elif kind == "nudge":
            turn = _turn(utc_s, values)
            if turn is not None:
                marks.turns[utc_s] = turn
        elif kind == "tool" and isinstance(values.get("nudge"), dict):
            marks.pulls.append(utc_s)
        elif kind == "settle":
            state = _state(words)
            if state is not None:
                marks.settled.append(SettleMark(utc_s=utc_s, state=state, text=words))
        elif kind == "power" and text == POWER_WORDS[True]:
            marks.was_off = True
    return marks


def _turn(utc_s: float, values: dict[str, object]) -> Turn | None:
    nudge = values.get("nudge")
    if not isinstance(nudge, dict):
        return None
    with suppress(KeyError, TypeError, ValueError, OverflowError):
        size, u = float(nudge["size"]), nudge["u"]
        if abs(size) < LARGEST_OFFSET:
            return Turn(utc_s=utc_s, size=size, u=None if u is None else float(u))
    return None


def _state(words: str) -> SettleState | None:
    """Return the state that the words of a settle verdict begin with."""
    states: tuple[SettleState, ...] = ("settled", "warming", "unsure")
    return next((state for state in states if words.startswith(SETTLE_WORDS[state])), None)
