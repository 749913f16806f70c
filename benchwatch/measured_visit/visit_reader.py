"""Reads what the journals have of a visit, once and in bounded memory.

Nothing is estimated anew: as found and as left are those on record. Offsets are corrected as on the
screen. What can't be read becomes a sentence.
"""

import heapq
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import Final

from benchwatch.central_record.run_place import RunPlace
from benchwatch.errors import JournalError
from benchwatch.journal.schema import JournalRun
from benchwatch.measured_visit.fingerprint import RunDigest, joined_fingerprint
from benchwatch.measured_visit.measured_visit import (
    MeasuredRun,
    MeasuredVisit,
    Span,
    tool_spans,
)
from benchwatch.measured_visit.offset_thinner import OffsetThinner
from benchwatch.measured_visit.open_sources import OpenSources
from benchwatch.measured_visit.record_corrections import record_corrections
from benchwatch.measured_visit.run_marks import RunMarks, read_marks
from benchwatch.measured_visit.run_places import PlacedRun, place_runs
from benchwatch.measured_visit.run_readings import OffsetPortion, RunReadings, RunTotals
from benchwatch.measured_visit.since_turn import ReadingsSinceTurn
from benchwatch.quantity import format_frequency, how_many, printable
from benchwatch.reading import TYPED
from benchwatch.recording.read_position import ReadPosition
from benchwatch.recording.visit_counters import CounterRuns
from benchwatch.register.visit import Visit

MOST_GAPS: Final = 100
"""Most gaps that are listed, the longest ones."""


def read_measured_visit(
    visit: Visit,
    where: Path | RunPlace,
    *,
    points: int = 1200,
    position: ReadPosition | None = None,
) -> MeasuredVisit:
    """Read the readings and marks of a visit from the journals in a folder, or a central record.

    Args:
        visit: the visit.
        where: the folder of the register and the journals, or the central record with both.
        points: about how many points the offsets are thinned to.
        position: is kept at the number of readings that are read.
    """
    with OpenSources() as sources:
        return _read_visit(visit, where, points, position or ReadPosition(), sources)


def _read_visit(
    visit: Visit,
    where: Path | RunPlace,
    points: int,
    position: ReadPosition,
    sources: OpenSources,
) -> MeasuredVisit:
    places = place_runs(visit, where)
    notes = list(places.notes)
    runs = _in_order(places.runs, notes, sources)
    nominal = visit.nominal_hz or next(
        (one.run.nominal_hz for one in runs if one.run.nominal_hz), None
    )
    if runs and nominal is None:
        notes.append("the nominal is not known: the readings are not shown as offsets.")
    position.done, position.total = 0, sum(_count_readings(one, sources) for one in runs)
    collected = _Collected(runs, points)
    corrections = record_corrections(visit.records)
    for one in runs:
        readings = RunReadings(one.run, nominal or Decimal(1), corrections, one.marks.proofs)
        one.totals, one.digest = readings.totals, readings.digest
        notes += _read(one, readings, collected, position, sources)
        if nominal is not None:
            notes += _left_out_words(one, nominal)
    found = {one.run.key: one for one in runs}
    stability = collected.since_turn.stability()
    if collected.since_turn.left_out:
        notes.append(
            "the deviations are of the newest readings only; "
            f"{how_many(collected.since_turn.left_out, 'older reading')} since the last turn "
            "are not in them."
        )
    return MeasuredVisit(
        runs=tuple(_measured_run(one, found.get(one.stated.key)) for one in places.runs),
        offsets=collected.offsets.thinned(),
        warm_up=collected.warm_up.thinned(),
        power_on_utc_s=collected.power_on_s,
        turns=tuple(turn for _, turn in sorted(collected.turns.items())),
        tool_on=tool_spans(sorted(collected.touches)),
        settle_marks=tuple(mark for one in runs for mark in one.marks.settled),
        gaps=tuple(
            Span(begin_utc_s=begin_s, end_utc_s=begin_s + lasted_s)
            for lasted_s, begin_s in sorted(collected.gaps, key=lambda gap: gap[1])
        ),
        stability=stability,
        fingerprint=joined_fingerprint((one.run.key, one.digest) for one in runs),
        notes=tuple(dict.fromkeys(notes)),
    )


@dataclass(slots=True)
class _FoundRun:
    """A run that was found, with its marks and what was counted of it."""

    placed: PlacedRun
    run: JournalRun
    place: RunPlace
    begin_utc_s: float
    """When its first reading began, on the time line of the visit."""
    marks: RunMarks = field(default_factory=RunMarks)
    totals: RunTotals = field(default_factory=RunTotals)
    digest: RunDigest = field(default_factory=RunDigest)

    @property
    def name(self) -> str:
        """What to call it in a sentence."""
        return f"run {self.run.number} of {printable(self.place_name, 60)}"

    @property
    def place_name(self) -> str:
        """The name of the journal, or of the station in a central record."""
        return self.run.station or self.place.name


def _in_order(
    places: Sequence[PlacedRun], notes: list[str], sources: OpenSources
) -> list[_FoundRun]:
    """Return the runs that were found, each with its marks and after the one before it.

    The register has them in their order. A run that begins before the one before it has ended, by
    its dates, is dated later as a whole. What is odd is said in `notes`.
    """
    runs: list[_FoundRun] = []
    end_s = -math.inf
    for placed in places:
        if placed.run is None or placed.place is None:
            continue
        shift_s = max(end_s - placed.begin_utc_s, 0.0)
        run = replace(placed.run, started_utc_s=placed.run.started_utc_s + shift_s)
        found = _FoundRun(placed, run, placed.place, placed.begin_utc_s + shift_s)
        if shift_s:
            notes.append(
                f"by its dates {found.name} begins before the run before it has ended (a clock was "
                "set back, or both were watched at once): it is put after it."
            )
        try:
            found.marks = read_marks(sources.of(placed.place), run)
        except JournalError as error:
            notes.append(f"turns and settle marks of {found.name} can't be read: {error}")
        end_s = placed.end_utc_s + shift_s
        runs.append(found)
    return runs


class _Collected:
    """What is collected of the readings and marks of all runs.

    Args:
        runs: the runs in the order of time.
        points: about how many points the offsets are thinned to.
    """

    def __init__(self, runs: Sequence[_FoundRun], points: int) -> None:
        self.turns = {at: turn for one in runs for at, turn in one.marks.turns.items()}
        self.touches = [touch for one in runs for touch in one.marks.touches]
        pulls = [at for one in runs for at in one.marks.pulls]
        self._touched_s = min([*self.turns, *(at for at, _ in self.touches)], default=math.inf)
        self.power_on_s = _power_on(runs, self._touched_s)
        readings = sum(one.placed.rows for one in runs)
        self.offsets = OffsetThinner(points, readings)
        self.warm_up = OffsetThinner(points, readings)
        touched = [at for at, _ in self.touches]
        moved = [*self.turns, *pulls, *touched]
        if not self.turns:  # then since it settled, if it did
            marks = [mark for one in runs for mark in one.marks.settled][-1:]
            moved = [mark.utc_s for mark in marks if mark.state == "settled"]
        self.since_turn = ReadingsSinceTurn(max(moved, default=-math.inf))
        self.gaps: list[tuple[float, float]] = []
        """Length and begin (Unix seconds) of the longest gaps; a heap."""
        self._seen_s = sum(one.placed.end_utc_s - one.placed.begin_utc_s for one in runs) / points
        """A shorter gap can't be seen in a chart of the visit."""
        self._last_s = -math.inf
        """Time of the newest reading."""
        self._counter: CounterRuns | None = None
        """The counter of the newest run."""

    def begin_run(self, utc_s: float, run: JournalRun) -> None:
        """Begin a run whose first reading was at `utc_s`."""
        self._add_break()
        self.since_turn.add_break()
        if self._counter is None or not self._counter.add(run):
            if self._counter is not None:
                self.since_turn.begin_counter(printable(run.counter))
            self._counter = CounterRuns(run.counter, run.identity, [run])
        if math.isfinite(self._last_s):
            self._add_gap(self._last_s, utc_s - self._last_s)

    def add(self, portion: OffsetPortion, *, typed: bool) -> None:
        """Add the readings and gaps of a portion; of `typed` readings there are no deviations."""
        if not typed:
            self.since_turn.add(portion)
        begin, n = 0, portion.utc_s.size
        for place, begin_s, lasted_s in portion.gaps:
            self._add_gap(begin_s, lasted_s)
            if lasted_s >= self._seen_s:
                self._add_offsets(portion, begin, place)
                self._add_break()
                begin = place
        self._add_offsets(portion, begin, n)
        if n:
            self._last_s = float(portion.utc_s[-1])

    def _add_offsets(self, portion: OffsetPortion, begin: int, end: int) -> None:
        utc_s, offset = portion.utc_s[begin:end], portion.offset[begin:end]
        self.offsets.add(utc_s, offset)
        if self.power_on_s is not None:
            warm = (utc_s >= self.power_on_s) & (utc_s < self._touched_s)
            self.warm_up.add(utc_s[warm], offset[warm])

    def _add_break(self) -> None:
        self.offsets.add_break()
        self.warm_up.add_break()

    def _add_gap(self, begin_s: float, lasted_s: float) -> None:
        put = heapq.heappush if len(self.gaps) < MOST_GAPS else heapq.heappushpop
        put(self.gaps, (lasted_s, begin_s))


def _power_on(runs: Sequence[_FoundRun], touched_s: float) -> float | None:
    """Return when the unit was last switched on before it was touched, as far as was said."""
    starts = [one.begin_utc_s for one in runs if one is runs[0] or one.marks.was_off]
    return max((at for at in starts if at <= touched_s), default=None)


def _count_readings(one: _FoundRun, sources: OpenSources) -> int:
    """Count the readings of a run; 0 where the journal can't be read, which is said later."""
    try:
        return sources.of(one.place).count_readings(one.run)
    except JournalError:
        return 0


def _read(
    one: _FoundRun,
    readings: RunReadings,
    collected: _Collected,
    position: ReadPosition,
    sources: OpenSources,
) -> list[str]:
    """Read a run; return sentences on what is wrong with it."""
    is_begun, typed = False, one.run.resource == TYPED
    try:
        for portion in readings.portions(sources.of(one.place)):
            if not is_begun and portion.utc_s.size:
                is_begun = True
                collected.begin_run(float(portion.utc_s[0]), one.run)
            collected.add(portion, typed=typed)
            position.done += portion.utc_s.size
    except JournalError as error:
        return [f"{one.name} can't be read to its end: {error}"]
    return []


def _left_out_words(one: _FoundRun, nominal: Decimal) -> list[str]:
    """Return sentences on readings that are in no chart."""
    notes, totals = [], one.totals
    if totals.unreadable:
        notes.append(f"{how_many(totals.unreadable, 'reading')} of {one.name} can't be read.")
    if totals.far_off:
        notes.append(
            f"{how_many(totals.far_off, 'reading')} of {one.name} lie nowhere near "
            f"{format_frequency(nominal)}, and are not shown."
        )
    return notes


def _measured_run(placed: PlacedRun, found: _FoundRun | None) -> MeasuredRun:
    """Return what is reported of a run; `found` is None where no journal has it."""
    stated = placed.stated
    if found is None:
        return MeasuredRun(key=stated.key, journal=stated.journal, counter=stated.counter)
    run, totals = found.run, found.totals
    time_base = run.time_base
    if totals.internal:
        only = totals.internal == totals.readings
        time_base = "internal" if only else "external and internal"
    return MeasuredRun(
        key=run.key,
        number=run.number,
        journal=found.place_name,
        counter=printable(run.counter),
        identity=printable(run.identity, 200),
        began_utc_s=placed.begin_utc_s,
        ended_utc_s=placed.end_utc_s,
        end_reason=printable(run.end_reason, 200),
        readings=totals.readings,
        gaps=totals.gaps,
        missing_s=totals.missing_s,
        gates_s=tuple(sorted(totals.gates_s)),
        time_base=printable(time_base),
        spikes=totals.spikes,
    )
