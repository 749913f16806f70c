"""Which runs of a journal are read, and how the times of several runs follow each other."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from benchwatch.errors import FileError, JournalError
from benchwatch.journal.run_list import simulated_bench_of
from benchwatch.journal.run_source import RunSource
from benchwatch.journal.schema import JournalRun
from benchwatch.quantity import format_frequency, printable
from benchwatch.recording.recorded_run import RecordingGap

RUNS_AT_FIRST: Final = 200
"""Newest runs among which the newest watch is sought before all are read."""
AFTER_S: Final = 1.0
"""Seconds from the end of a run to a later one whose dates lie before that end."""


@dataclass(frozen=True, slots=True)
class Selection:
    """Runs of a journal to be read as one recording.

    Time counts from the start of the first run. Runs of one counter follow each other, with a gap
    in between; the elapsed times of a later watch go on by the dates of both.
    """

    runs: tuple[int, ...]
    """Keys, oldest first."""
    station: str | None = None
    """The station that has them, in a central record."""


def there_with_readings(journal: RunSource, keys: Iterable[int]) -> tuple[int, ...]:
    """Return the runs among `keys`, each once and in their order, of which there are readings.

    Raises:
        JournalError: the journal can't be read.
    """
    by_key = {run.key: run for run in journal.runs()}
    wanted = dict.fromkeys(keys)
    return tuple(key for key in wanted if key in by_key and journal.has_readings(by_key[key]))


@dataclass(frozen=True, slots=True, kw_only=True)
class NewestRuns:
    """The runs that are read where none is named."""

    runs: tuple[JournalRun, ...]
    """The runs with readings of the newest watch of real counters, else of simulated ones."""
    newer_simulated: tuple[JournalRun, ...]
    """Newer runs with readings, all of simulated benches."""

    @property
    def selection(self) -> Selection:
        """The runs as a selection."""
        return Selection(tuple(run.key for run in self.runs))


def newest_runs(journal: RunSource) -> NewestRuns:
    """Choose the newest watch of real counters that has readings; without one, of simulated ones.

    Raises:
        JournalError: the journal can't be read.
    """
    runs = journal.runs(RUNS_AT_FIRST)
    if len(runs) == RUNS_AT_FIRST:
        # The oldest watch may be cut, so it is looked at only with all the others.
        found = _newest(journal, [run for run in runs if run.watch != runs[0].watch])
        if found.runs and simulated_bench_of(found.runs[0]) is None:
            return found
        runs = journal.runs()
    return _newest(journal, runs)


def _newest(journal: RunSource, runs: Sequence[JournalRun]) -> NewestRuns:
    """Choose the newest watch of `runs`, which are the oldest first."""
    passed: list[JournalRun] = []
    first: tuple[JournalRun, ...] = ()
    for watch in _watches(runs):
        read = tuple(run for run in watch if journal.has_readings(run))
        if not read:
            continue
        first = first or read
        if all(simulated_bench_of(run) is None for run in read):
            return NewestRuns(runs=read, newer_simulated=tuple(passed))
        passed = [*read, *passed]
    return NewestRuns(runs=first, newer_simulated=())


def _watches(runs: Sequence[JournalRun]) -> Iterable[list[JournalRun]]:
    """Yield the runs of each watch, the newest watch first."""
    watches: dict[int, list[JournalRun]] = {}
    for run in reversed(runs):
        watches.setdefault(run.watch, []).insert(0, run)
    return watches.values()


@dataclass(frozen=True, slots=True, kw_only=True)
class SelectedRun:
    """One run as a part of a recording."""

    run: JournalRun
    shift_s: float = 0.0
    """Added to its elapsed seconds, so that they count from the start of the first run."""
    gap: RecordingGap | None = None
    """The gap between the run of the same counter before it and this run."""


@dataclass(slots=True)
class SelectedCounter:
    """The selected runs of one counter."""

    name: str
    runs: list[SelectedRun] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    """Sentences on dates that can't be true."""

    @property
    def nominals(self) -> dict[object, int]:
        """Each nominal in hertz, and the number of a run that has it."""
        found = {one.run.nominal_hz: one.run.number for one in self.runs}
        return {nominal: number for nominal, number in found.items() if nominal is not None}


def select(journal: RunSource, selection: Selection | None, source: str) -> list[SelectedCounter]:
    """Return the runs of a selection by counter; runs without readings are left out.

    Args:
        journal: the journal.
        selection: the runs; None: the newest ones (`newest_runs`).
        source: name of the file, for messages.

    Raises:
        FileError: a run is missing, or the runs of one counter have different nominals.
        JournalError: the journal can't be read.
    """
    if selection is None:
        runs = list(newest_runs(journal).runs)
    else:
        by_key = {run.key: run for run in journal.runs()}
        missing = [key for key in selection.runs if key not in by_key]
        if missing:
            raise FileError(f"{source} no longer has a run that was to be read.")
        runs = [by_key[key] for key in selection.runs]
        runs = [run for run in runs if journal.has_readings(run)]
    counters: dict[str, SelectedCounter] = {}
    if len({run.watch for run in runs}) <= 1:
        for run in runs:
            _of(counters, run).runs.append(SelectedRun(run=run))
    else:
        _join(journal, runs, counters)
    for counter in counters.values():
        _check_nominals(counter, source)
    return list(counters.values())


def _of(counters: dict[str, SelectedCounter], run: JournalRun) -> SelectedCounter:
    return counters.setdefault(run.counter, SelectedCounter(run.counter))


def _join(journal: RunSource, runs: list[JournalRun], counters: dict[str, SelectedCounter]) -> None:
    """Put the runs of several watches on one time line, watch by watch."""
    zero_s: float | None = None
    ends_s: dict[str, tuple[float, JournalRun]] = {}
    watches: dict[int, list[JournalRun]] = {}
    for run in runs:
        watches.setdefault(run.watch, []).append(run)
    for watch in watches.values():
        first = {run.key: _edge(journal, run) for run in watch}
        utc_s, elapsed_s, _ = first[watch[0].key]
        zero_s = utc_s - elapsed_s if zero_s is None else zero_s
        shift_s = utc_s - elapsed_s - zero_s
        for run in watch:
            if run.counter in ends_s:
                end_s, before = ends_s[run.counter]
                begin_s = _begin_s(first[run.key])
                if begin_s + shift_s < end_s:
                    shift_s = end_s + AFTER_S - begin_s
                    _of(counters, run).notes.append(
                        f"by its dates run {run.number} begins before run {before.number} has "
                        "ended (a clock was set back, or both were watched at once): it is put "
                        "after it."
                    )
        for run in watch:
            begin_s, gap = _begin_s(first[run.key]) + shift_s, None
            if run.counter in ends_s:
                end_s, before = ends_s[run.counter]
                reason = f"not watched between run {before.number} and run {run.number}"
                gap = RecordingGap(before=0, begin_s=end_s, lasted_s=begin_s - end_s, reason=reason)
            _, last_s, gate_s = _edge(journal, run, last=True)
            ends_s[run.counter] = last_s + gate_s / 2 + shift_s, run
            _of(counters, run).runs.append(SelectedRun(run=run, shift_s=shift_s, gap=gap))


def _begin_s(edge: tuple[float, float, float]) -> float:
    """Return when the gate of a first reading opened, in seconds of its watch."""
    _, elapsed_s, gate_s = edge
    return elapsed_s - gate_s / 2


def _edge(journal: RunSource, run: JournalRun, *, last: bool = False) -> tuple[float, float, float]:
    """Return Unix seconds, elapsed seconds and gate of the first or last reading.

    Raises:
        JournalError: one of them is no number, or the readings are gone.
    """
    edge = journal.edge(run, last=last)
    if edge is None:
        raise JournalError(f"the readings of run {run.number} are gone.")
    utc_s, elapsed_s, gate_s = edge
    for value in edge:
        if type(value) not in {int, float} or not math.isfinite(value):
            raise JournalError(f"a time in run {run.number} is no number.")
    return float(utc_s), float(elapsed_s), float(gate_s)


def _check_nominals(counter: SelectedCounter, source: str) -> None:
    """Refuse runs of one counter that have different nominals.

    Raises:
        FileError: they have.
    """
    if len(counter.nominals) > 1:
        stated = " and ".join(
            f"{format_frequency(nominal)} in run {number}"  # type: ignore[arg-type]
            for nominal, number in counter.nominals.items()
        )
        raise FileError(
            f"{source}: the runs of {printable(counter.name, 40)} have different nominals "
            f"({stated}): read one of them with --run."
        )
