"""Which counters measured the runs of a visit, and when.

A step between two counters is not the unit's, so their readings are not put together.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from benchwatch.clock import local_minute
from benchwatch.journal.run_source import RunSource
from benchwatch.journal.schema import JournalRun
from benchwatch.quantity import how_many, listed, printable

APART: Final = "A step between counters is not the unit's, so one of them is read at a time"
MOST_RANGES: Final = 6
"""Ranges of numbers that a sentence lists; of more it lists the last ones."""
DAY_CELLS: Final = len("2031-05-04 ")


@dataclass(slots=True)
class CounterRuns:
    """One counter of a visit, with its runs in their order."""

    name: str
    identity: str
    """What it answers to the question who it is; empty where it does not tell."""
    runs: list[JournalRun] = field(default_factory=list)
    end_utc_s: float | None = None
    """When the newest of them ended, or its newest reading came."""

    def add(self, run: JournalRun) -> bool:
        """Add a run, unless its counter has another name or answers otherwise; return whether.

        A run without an answer belongs to the counter of its name.
        """
        answers = {self.identity, run.identity} - {""}
        if self.name != run.counter or len(answers) > 1:
            return False
        self.identity = self.identity or run.identity
        self.runs.append(run)
        return True

    @property
    def span_words(self) -> str:
        """From when to when it measured, in local time to the minute."""
        begin = local_minute(self.runs[0].started_utc_s)
        end = begin if self.end_utc_s is None else local_minute(self.end_utc_s)
        if begin == end:
            return begin
        same_day = begin[:DAY_CELLS] == end[:DAY_CELLS]
        return f"{begin} to {end[DAY_CELLS:] if same_day else end}"


def counters_of(journal: RunSource, keys: Iterable[int]) -> list[CounterRuns]:
    """Return the counters of some runs, in the order in which they came.

    Counters differ by their name, or by what they answer (`CounterRuns.add`).

    Args:
        journal: has the runs.
        keys: of the runs, in their order.

    Raises:
        JournalError: the journal can't be read.
    """
    by_key = {run.key: run for run in journal.runs()}
    found: list[CounterRuns] = []
    for run in (by_key[key] for key in keys if key in by_key):
        counter = next((one for one in reversed(found) if one.add(run)), None)
        if counter is None:  # no counter of this name and answer was there before
            counter = CounterRuns(run.counter, run.identity, [run])
            found.append(counter)
        counter.end_utc_s = run.ended_utc_s or journal.last_reading_utc_s(run)
    return found


def measured_by(visit: str, counters: list[CounterRuns]) -> str:
    """Write which counters measured a visit and when; empty for one counter.

    Args:
        visit: what to call the visit.
        counters: as `counters_of` returns them.
    """
    if len(counters) < 2:
        return ""
    names = [one.name for one in counters]
    parts = [_counter_words(one, by_answer=names.count(one.name) > 1) for one in counters]
    text = f"visit {visit} was measured by {how_many(len(counters), 'counter')}: {listed(parts)}."
    if len(set(names)) < len(names):
        text += " A step between them is not the unit's: --run reads one run."
    return text


def counter_names(counters: Iterable[CounterRuns]) -> tuple[str, ...]:
    """Return the names of counters, each once."""
    return tuple(dict.fromkeys(one.name for one in counters))


def run_ranges(numbers: Iterable[int]) -> str:
    """Write numbers of runs as ``run 3`` or ``runs 1 to 3, 5 and 7``."""
    found: list[list[int]] = []
    for number in sorted(numbers):
        if found and number == found[-1][1] + 1:
            found[-1][1] = number
        else:
            found.append([number, number])
    few = len(found) == 1 and found[0][0] == found[0][1]
    texts = [str(a) if a == b else f"{a} to {b}" for a, b in found[-MOST_RANGES:]]
    more = "among others " if len(found) > MOST_RANGES else ""
    return f"{'run' if few else 'runs'} {more}{listed(texts)}"


def _counter_words(one: CounterRuns, *, by_answer: bool) -> str:
    answer = f" that answers {printable(one.identity, 60)}" if by_answer and one.identity else ""
    runs = run_ranges(run.number for run in one.runs)
    return f"{printable(one.name, 40)}{answer} ({runs}, {one.span_words})"
