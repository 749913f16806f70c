"""Reads the runs of stations from a central record, as a journal gives those of one machine.

The number of a run is its ``run_id``; its key is that of the station's journal, and unique in one
station only. So every query names a run by its number.
"""

import math
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime
from types import TracebackType
from typing import Any, Final, Self

from benchwatch.central_record.read_connection import ReadConnection
from benchwatch.central_record.record_address import RecordAddress
from benchwatch.journal.journal_reader import PORTION_READINGS, Portion
from benchwatch.journal.row_checks import OTHER_COLUMNS, READING_COLUMNS, RUN_COLUMNS, RowChecks
from benchwatch.journal.run_numbers import LARGEST_NUMBER
from benchwatch.journal.schema import JournalRun
from benchwatch.quantity import how_many, listed, printable

MOST_FILES: Final = 6
"""Files of an archive that a sentence names."""

_FIRST, _LAST = -(2**63), 2**63 - 1
_LATER_TABLES: Final = frozenset({"records", "notes"})
_SELECT: Final = f"SELECT {RUN_COLUMNS}, run_id, station FROM benchwatch.runs"  # noqa: S608 - our own words
_OF_RUN: Final = " FROM benchwatch.readings WHERE run_id = %s AND utc_s BETWEEN %s AND %s"
"""The times leave all days out of the search but those of the run."""
_OTHERS: Final = {
    table: f"SELECT {columns} FROM benchwatch.{table}"  # noqa: S608 - our own words
    " WHERE run_id = %s AND number > %s AND number <= %s ORDER BY number"
    for table, columns in OTHER_COLUMNS.items()
}


class CentralRunReader:
    """The runs in a central record, open for reading; a context manager.

    Args:
        address: of the central record.
        station: only runs of this one; None: of all.
        wait_s: longest wait for the server; None: as the address says.

    Raises:
        UsageError: the library for PostgreSQL is not installed.
        JournalError: the record can't be read; every method may raise it.
    """

    def __init__(
        self, address: RecordAddress, station: str | None = None, *, wait_s: int | None = None
    ) -> None:
        self._station = station
        self._checks = RowChecks("the central record", address.shown)
        self._connection = ReadConnection(address, wait_s)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
        /,
    ) -> None:
        self._connection.close()

    # --------------------------------------------------------------- runs

    def runs(self, last: int | None = None) -> list[JournalRun]:
        """Return the runs, oldest first; of many only the `last` ones, if that is given."""
        where = "" if self._station is None else " WHERE station = %s"
        values = () if self._station is None else (self._station,)
        query = f"{_SELECT}{where} ORDER BY started_utc_s DESC, run_id DESC LIMIT %s"
        return self._sorted(self._connection.ask(query, (*values, last)))

    def runs_of_keys(self, keys: Sequence[int]) -> list[JournalRun]:
        """Return the runs with these keys; several stations may have a run of the same key."""
        where = "" if self._station is None else " AND station = %s"
        values = () if self._station is None else (self._station,)
        query = f"{_SELECT} WHERE run = ANY(%s::int8[]){where}"
        return self._sorted(self._connection.ask(query, (list(keys), *values)))

    def station_of(self, number: int) -> str | None:
        """Return the station that has the run of this number; None: there is no such run."""
        if number > LARGEST_NUMBER:
            return None
        query = "SELECT station FROM benchwatch.runs WHERE run_id = %s"
        rows = self._connection.ask(query, (number,))
        return str(rows[0][0]) if rows else None

    def stations(self, most: int) -> list[str]:
        """Return the names of stations with runs or entries, in their order, at most so many."""
        # Looks up one name after the other: there may be very many runs.
        query = """
            WITH RECURSIVE found(station) AS (
                (SELECT least((SELECT min(station) FROM benchwatch.runs),
                              (SELECT min(station) FROM benchwatch.chains)))
                UNION ALL
                SELECT least(
                    (SELECT min(station) FROM benchwatch.runs WHERE station > found.station),
                    (SELECT min(station) FROM benchwatch.chains WHERE station > found.station))
                FROM found WHERE found.station IS NOT NULL)
            SELECT station FROM found WHERE station IS NOT NULL LIMIT %s"""
        return [str(name) for (name,) in self._connection.ask(query, (most,))]

    def has_station(self, name: str) -> bool:
        """Return whether there is a run or an entry of a station."""
        query = """
            SELECT EXISTS (SELECT 1 FROM benchwatch.runs WHERE station = %s)
                OR EXISTS (SELECT 1 FROM benchwatch.chains WHERE station = %s)"""
        return bool(self._connection.ask(query, (name, name))[0][0])

    def stations_of_chain(self, chain: str) -> list[str]:
        """Return the stations that sent a chain of entries, the first one first."""
        query = "SELECT station FROM benchwatch.chains WHERE chain = %s ORDER BY chain_id"
        return [str(name) for (name,) in self._connection.ask(query, (chain,))]

    def was_numbered(self, _number: int) -> bool:
        """Return False: a run never leaves the central record."""
        return False

    def _sorted(self, rows: list[tuple[Any, ...]]) -> list[JournalRun]:
        runs = [self._checks.run(row, row[-2], row[-1]) for row in rows]
        return sorted(runs, key=lambda run: (run.started_utc_s, run.number))

    # ------------------------------------------------------------- readings

    def count_readings(self, run: JournalRun) -> int:
        """Count the readings of `run`."""
        rows = self._of_run("SELECT count(*)", run)
        return int(rows[0][0]) if rows else 0

    def last_reading_utc_s(self, run: JournalRun) -> float | None:
        """Return the time of the newest reading of `run`, Unix seconds; None: it has none."""
        rows = self._of_run("SELECT utc_s", run, " ORDER BY number DESC LIMIT 1")
        return float(rows[0][0]) if rows else None

    def has_readings(self, run: JournalRun) -> bool:
        """Return whether `run` has any readings here."""
        return bool(self._of_run("SELECT 1", run, " LIMIT 1"))

    def edge(self, run: JournalRun, *, last: bool = False) -> tuple[Any, Any, Any] | None:
        """Return Unix seconds, elapsed seconds and gate (0 if unknown) of the first reading.

        None: the run has no readings here. `last`: of the last reading.
        """
        order = f" ORDER BY number {'DESC' if last else 'ASC'} LIMIT 1"
        rows = self._of_run("SELECT utc_s, elapsed_s, coalesce(gate_s, 0.0)", run, order)
        return (rows[0][0], rows[0][1], rows[0][2]) if rows else None

    def left_out_words(self, run: JournalRun, /) -> str:
        """Return a sentence on readings of `run` that are in the archive only; empty: none are."""
        begin, end = (_day(utc_s) for utc_s in self._extent(run))
        if begin is None or end is None:
            return ""
        query = """
            SELECT day, file FROM benchwatch.archived
            WHERE dropped IS NOT NULL AND day BETWEEN %s AND %s AND (NOT numbers_noted
                OR EXISTS (SELECT FROM benchwatch.dropped_numbers AS d
                    WHERE d.day = archived.day AND d.run_id = %s))
            ORDER BY day, part"""
        rows = self._connection.ask(query, (begin, end, run.number))
        days = list(dict.fromkeys(day for day, _ in rows))
        if not days:
            return ""
        files = [printable(str(name), 200) for name in dict.fromkeys(name for _, name in rows)]
        more = f" and {len(files) - MOST_FILES} more" if len(files) > MOST_FILES else ""
        which = str(days[0]) if len(days) == 1 else f"{days[0]} to {days[-1]}"
        return (
            f"the readings of {how_many(len(days), 'day')} ({which}) are in the archive: "
            f"{listed(files[:MOST_FILES])}{more}. Give that to read them."
        )

    def _extent(self, run: JournalRun) -> tuple[float | None, float | None]:
        """Return the times of the earliest and latest reading that was ever here; None: none."""
        query = "SELECT first_utc_s, last_utc_s FROM benchwatch.runs WHERE run_id = %s"
        rows = self._connection.ask(query, (run.number,))
        return (rows[0][0], rows[0][1]) if rows else (None, None)

    def _of_run(self, select: str, run: JournalRun, end: str = "") -> list[tuple[Any, ...]]:
        """Ask for something of the readings of a run."""
        begin_s, end_s = self._extent(run)
        if begin_s is None or end_s is None:
            return []
        return self._connection.ask(f"{select}{_OF_RUN}{end}", (run.number, begin_s, end_s))

    # ---------------------------------------------------------------- events

    def portions(self, run: JournalRun, *, records: bool = False) -> Iterator[Portion]:
        """Yield the events of `run` in portions; records and notes only if `records` is True."""
        after = _FIRST
        begin_s, end_s = self._extent(run)
        query = f"SELECT {READING_COLUMNS}{_OF_RUN} AND number > %s ORDER BY number LIMIT %s"
        tables = [table for table in OTHER_COLUMNS if records or table not in _LATER_TABLES]
        more = True
        while more:
            values = (run.number, begin_s, end_s, after, PORTION_READINGS)
            rows = [] if begin_s is None else self._connection.ask(query, values)
            self._checks.rows("readings", rows, run)
            more = len(rows) == PORTION_READINGS
            last = int(rows[-1][0]) if more else _LAST
            found: dict[str, list[Any]] = {"readings": rows}
            others = [(_OTHERS[table], (run.number, after, last)) for table in tables]
            found |= zip(tables, self._connection.ask_each(others), strict=True)
            for table in tables:
                self._checks.rows(table, found[table], run)
            after = last
            yield Portion(**found)

    def notes(self, run: JournalRun, kind: str) -> list[tuple[int, str]]:
        """Return number and document of the notes of one kind, in the order of writing."""
        query = """
            SELECT number, document FROM benchwatch.notes
            WHERE run_id = %s AND kind = %s ORDER BY number"""
        return [(number, text) for number, text in self._connection.ask(query, (run.number, kind))]

    def timed_notes(
        self, run: JournalRun, kinds: Sequence[str], most: int
    ) -> list[tuple[float, str, str]]:
        """Return elapsed seconds, kind and document of the first `most` notes of some kinds."""
        query = """
            SELECT elapsed_s, kind, document FROM benchwatch.notes
            WHERE run_id = %s AND kind = ANY(%s) ORDER BY number LIMIT %s"""
        rows = self._connection.ask(query, (run.number, list(kinds), most))
        return [(at_s, kind, text) for at_s, kind, text in rows if math.isfinite(at_s)]


def _day(utc_s: float | None) -> date | None:
    """Return the day (UTC) of a time in Unix seconds; None: there is none."""
    try:
        return None if utc_s is None else datetime.fromtimestamp(utc_s, UTC).date()
    except (ValueError, OverflowError, OSError):
        return None
