"""Writes the events of runs in an open transaction: rows of runs locked, events in, progress up.

All runs of a group are locked in one order, first those that are there, then the new ones, so that
two keepers seldom wait for each other crosswise.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from benchwatch.central_record.batches import EventBatch, Outcome, Rows, SentEvents
from benchwatch.central_record.column_arrays import number_array, optional_text_array, text_array
from benchwatch.central_record.day_partitions import DAY_S
from benchwatch.central_record.dropped_numbers import Place, dropped_days, find_dropped
from benchwatch.central_record.event_rows import EVENT_COLUMNS, EventRows
from benchwatch.central_record.refused_batches import RefusedNote
from benchwatch.journal.schema import JournalRun
from benchwatch.quantity import how_many

if TYPE_CHECKING:
    import psycopg

RunName = tuple[str, int]
"""Station and key of a run."""

MOST_CELLS_KEPT: Final = 20_000
"""Runs whose cells are kept for comparison."""
LONGEST_KEPT: Final = 2_000
"""Most characters of the cells of a run that is kept; one of a hostile station may have 200 000."""

_COLUMNS: Final = {
    "watch": "int8", "counter": "text", "resource": "text", "driver": "text",
    "started_utc_s": "float8", "nominal_hz": "text", "identity": "text", "time_base": "text",
    "gate_s": "float8", "settings": "text", "ended_utc_s": "float8", "end_reason": "text",
}  # fmt: skip
_NAMES: Final = ", ".join(_COLUMNS)
_CELLS: Final = ", ".join(f"%s::{kind}[]" for kind in _COLUMNS.values())

_LOCK: Final = """
    SELECT r.station, r.run, r.run_id, r.has_all_to, r.ended_utc_s IS NOT NULL
    FROM benchwatch.runs AS r
    JOIN unnest(%s::text[], %s::int8[]) AS asked (station, run)
        ON r.station = asked.station AND r.run = asked.run
    ORDER BY r.run_id FOR NO KEY UPDATE OF r"""

# Only runs that are not there yet are inserted: a conflict would use up a number of the identity.
_INSERT: Final = f"""
    INSERT INTO benchwatch.runs (station, run, {_NAMES})
    SELECT * FROM unnest(%s::text[], %s::int8[], {_CELLS})
    ON CONFLICT (station, run) DO NOTHING"""  # noqa: S608 - our own words

_UPDATE: Final = f"""
    UPDATE benchwatch.runs AS r
    SET {", ".join(f"{name} = n.{name}" for name in _COLUMNS if not name.startswith("end"))},
        ended_utc_s = coalesce(n.ended_utc_s, r.ended_utc_s),
        end_reason = CASE WHEN n.ended_utc_s IS NULL AND r.ended_utc_s IS NOT NULL
            THEN r.end_reason ELSE n.end_reason END
    FROM unnest(%s::int4[], {_CELLS}) AS n (run_id, {_NAMES})
    WHERE r.run_id = n.run_id"""  # noqa: S608 - our own words

_PROGRESS: Final = """
    UPDATE benchwatch.runs AS r
    SET has_all_to = greatest(r.has_all_to, n.upto), changed = now(),
        first_utc_s = least(r.first_utc_s, n.first_utc_s),
        last_utc_s = greatest(r.last_utc_s, n.last_utc_s),
        newest_utc_s = coalesce(n.newest_utc_s, r.newest_utc_s)
    FROM unnest(%s::int4[], %s::int8[], %s::float8[], %s::float8[], %s::float8[])
        AS n (run_id, upto, first_utc_s, last_utc_s, newest_utc_s)
    WHERE r.run_id = n.run_id"""


@dataclass(slots=True)
class _Run:
    """A run of the group, with its row locked."""

    run_id: int
    has_all_to: int
    ended: bool
    had_all_to: int
    """As it was before the group."""
    taken: list[EventBatch] = field(default_factory=list)
    known_to: list[int] = field(default_factory=list)
    """For each batch taken, up to where the record and the batches before it have all events."""


class RunRows:
    """Writes batches of events, given in the order of station, run and range."""

    def __init__(self) -> None:
        self._cells: dict[RunName, JournalRun] = {}
        """Cells of runs that were written before, so that they are not written with each batch."""
        self._coming: dict[RunName, JournalRun] = {}

    def committed(self) -> None:
        """Keep in mind what the transaction wrote."""
        if len(self._cells) > MOST_CELLS_KEPT:
            self._cells.clear()
        for name, run in self._coming.items():
            if _characters(run) <= LONGEST_KEPT:
                self._cells[name] = run
            else:  # it is written with each of its batches
                self._cells.pop(name, None)

    def write(
        self,
        connection: "psycopg.Connection[Any]",
        sent: Sequence[SentEvents],
        *,
        trust_ranges: bool = True,
    ) -> tuple[dict[str, Outcome], list[RefusedNote]]:
        """Write the batches whose range follows from what is there.

        Args:
            connection: in a transaction.
            sent: the batches.
            trust_ranges: whether no event beyond `has_all_to` of its run may be there already.

        Returns:
            What each station is answered, and what is to be noted of events that it left out, or
            that were not written.

        Raises:
            psycopg.Error: the transaction failed; a unique violation: ranges can't be trusted.
            ValueError: a value can't be written.
        """
        cells = _newest_cells(sent)
        runs = self._locked(connection, cells)
        for one in sent:
            run, batch = runs[one.station, one.batch.run.key], one.batch
            if batch.after <= run.has_all_to:
                run.taken.append(batch)
                run.known_to.append(run.has_all_to)
                run.has_all_to = max(run.has_all_to, batch.to)
        written = {name: run for name, run in runs.items() if run.taken}
        archived = _archived_before(connection, written.values())
        _write_events(connection, written.values(), archived.places, trust_ranges=trust_ranges)
        _write_progress(connection, written.values())
        self._coming = cells
        notes = [note for (station, _), run in runs.items() for note in _left_out(station, run)]
        notes += _not_written(written, archived)
        return _outcomes(runs), notes

    def _locked(
        self, connection: "psycopg.Connection[Any]", cells: dict[RunName, JournalRun]
    ) -> dict[RunName, _Run]:
        """Lock the rows of runs, and make and change them where they differ from `cells`."""
        runs = _lock(connection, cells)
        new = sorted(cells.keys() - runs.keys())
        if new:
            stations, keys = zip(*new, strict=True)
            values = _cell_arrays([cells[name] for name in new])
            connection.execute(_INSERT, (text_array(stations), number_array(keys), *values))
            runs |= _lock(connection, new)
        changed = [
            name
            for name, run in cells.items()
            if (known := self._cells.get(name)) is not run and known != run
        ]
        if changed:
            ids = number_array([runs[name].run_id for name in changed])
            connection.execute(_UPDATE, (ids, *_cell_arrays([cells[name] for name in changed])))
            for name in changed:
                runs[name].ended |= cells[name].ended_utc_s is not None
        return {name: runs[name] for name in cells}


def _characters(run: JournalRun) -> int:
    """Return how many characters the texts of a run have."""
    return (
        len(run.settings) + len(run.end_reason) + len(run.identity) + len(run.resource)
        + len(run.counter) + len(run.driver) + len(run.time_base)
    )  # fmt: skip


def _newest_cells(sent: Iterable[SentEvents]) -> dict[RunName, JournalRun]:
    """Return the cells of each run: those of a batch that has the end, else of the last one."""
    cells: dict[RunName, JournalRun] = {}
    for one in sent:
        name = one.station, one.batch.run.key
        before = cells.get(name)
        if before is None or before.ended_utc_s is None or one.batch.run.ended_utc_s is not None:
            cells[name] = one.batch.run
    return cells


def _lock(connection: "psycopg.Connection[Any]", names: Iterable[RunName]) -> dict[RunName, _Run]:
    asked = list(names)
    stations, keys = [name[0] for name in asked], [name[1] for name in asked]
    rows = connection.execute(_LOCK, (text_array(stations), number_array(keys)))
    return {
        (station, run): _Run(run_id, has_all_to, ended, has_all_to)
        for station, run, run_id, has_all_to, ended in rows
    }


def _cell_arrays(runs: Sequence[JournalRun]) -> list[str]:
    return [
        number_array([run.watch for run in runs]),
        text_array([run.counter for run in runs]),
        text_array([run.resource for run in runs]),
        text_array([run.driver for run in runs]),
        number_array([run.started_utc_s for run in runs]),
        optional_text_array(
            [None if run.nominal_hz is None else str(run.nominal_hz) for run in runs]
        ),
        text_array([run.identity for run in runs]),
        text_array([run.time_base for run in runs]),
        number_array([run.gate_s for run in runs]),
        text_array([run.settings for run in runs]),
        number_array([run.ended_utc_s for run in runs]),
        text_array([run.end_reason for run in runs]),
    ]


@dataclass(frozen=True, slots=True)
class _Archived:
    """Readings that a group has of days which were dropped, and that are not written again."""

    places: frozenset[Place] = frozenset()
    unsure: frozenset[Place] = frozenset()
    """Those of `places` that the files of their day may lack."""


def _place(run: _Run, reading: tuple[Any, ...]) -> Place:
    return run.run_id, reading[0], int(reading[1] // DAY_S)


def _archived_before(connection: "psycopg.Connection[Any]", runs: Iterable[_Run]) -> _Archived:
    """Find the readings that came before and are in the archive only.

    One that a station sends late, though its range came before, is in no file: it is written, to
    its day, which is made and archived once more.
    """
    again = [
        (run, row)
        for run in runs
        for batch in run.taken
        if batch.after < run.had_all_to
        for row in batch.readings
        if row[0] <= run.had_all_to
    ]
    if not again:
        return _Archived()
    noted, unknown = dropped_days(connection, {int(row[1] // DAY_S) for _, row in again})
    if not (noted or unknown):
        return _Archived()
    asked = [_place(run, row) for run, row in again]
    dropped = find_dropped(connection, asked)
    places = frozenset(place for place in asked if place[:2] in dropped)
    unsure = frozenset(place for place in asked if place[2] in unknown) - places
    return _Archived(places | unsure, unsure)


def _write_events(
    connection: "psycopg.Connection[Any]",
    runs: Iterable[_Run],
    archived: Collection[Place],
    *,
    trust_ranges: bool,
) -> None:
    """Write the events of all runs but archived readings, in one statement for each table.

    A second one has those that may be there already.
    """
    new = {table: EventRows(table) for table in EVENT_COLUMNS}
    again = {table: EventRows(table) for table in EVENT_COLUMNS}
    for run in runs:
        for batch, known_to in zip(run.taken, run.known_to, strict=True):
            for table, all_new in new.items():
                rows: Rows = getattr(batch, table)
                if rows and batch.after < known_to:
                    known, rows = _parted(rows, known_to)
                    if table == "readings" and archived:
                        known = [row for row in known if _place(run, row) not in archived]
                    again[table].add(run.run_id, known)
                if rows:
                    all_new.add(run.run_id, rows)
    for table in EVENT_COLUMNS:
        new[table].write(connection, may_be_there=not trust_ranges)
        again[table].write(connection, may_be_there=True)


def _parted(rows: Rows, known_to: int) -> tuple[Rows, Rows]:
    """Return the rows up to a number, and those after it; numbers rise."""
    if rows[-1][0] <= known_to:
        return rows, ()
    return [row for row in rows if row[0] <= known_to], [row for row in rows if row[0] > known_to]


def _write_progress(connection: "psycopg.Connection[Any]", runs: Collection[_Run]) -> None:
    if not runs:
        return
    first: list[float | None] = []
    last: list[float | None] = []
    newest: list[float | None] = []
    for run in runs:
        times = [row[1] for batch in run.taken for row in batch.readings]
        first.append(min(times, default=None))
        last.append(max(times, default=None))
        latest = run.taken[-1]  # they are in the order of their ranges
        is_new = latest.readings and latest.to == run.has_all_to > run.had_all_to
        newest.append(latest.readings[-1][1] if is_new else None)
    connection.execute(
        _PROGRESS,
        (
            number_array([run.run_id for run in runs]),
            number_array([run.has_all_to for run in runs]),
            number_array(first),
            number_array(last),
            number_array(newest),
        ),
    )


def _left_out(station: str, run: _Run) -> Iterable[RefusedNote]:
    """Yield a note on each batch that lacks events which its station could not send."""
    for batch in run.taken:
        if batch.left_out and batch.to > run.had_all_to:
            why = "; ".join(f"{number}: {reason}" for number, reason in batch.left_out)
            yield RefusedNote(
                station, f"run {batch.run.key}", batch.after, batch.to,
                f"left out by the station: {why}", None,
            )  # fmt: skip


def _not_written(runs: dict[RunName, _Run], archived: _Archived) -> Iterable[RefusedNote]:
    """Yield a note on the readings of a run and a day that a file may lack, and were not written.

    No keeper writes them, for a reading must not be in the record and in a file of a dropped day.
    """
    names = {run.run_id: name for name, run in runs.items()}
    found: dict[tuple[int, int], list[int]] = {}
    for run_id, number, day in sorted(archived.unsure):
        found.setdefault((run_id, day), []).append(number)
    for (run_id, day), numbers in found.items():
        station, key = names[run_id]
        yield RefusedNote(
            station, f"run {key}", numbers[0] - 1, numbers[-1],
            f"not stored: {how_many(len(numbers), 'reading')} of "
            f"{datetime.fromtimestamp(day * DAY_S, UTC):%Y-%m-%d}, which came before or are late. "
            "An older Benchwatch dropped that day without noting their numbers, so that only its "
            "archive files can tell whether they have these; the journal of the station has them",
            None,
        )  # fmt: skip


def _outcomes(runs: dict[RunName, _Run]) -> dict[str, Outcome]:
    outcomes: dict[str, Outcome] = {}
    for (station, key), run in runs.items():
        outcome = outcomes.setdefault(station, Outcome())
        outcome.runs[key] = run.has_all_to
        outcome.taken += [(key, batch.after, batch.to) for batch in run.taken]
        if run.ended:
            outcome.ended.add(key)
    return outcomes
