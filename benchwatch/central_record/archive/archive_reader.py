"""Reads the runs in archive files as a journal gives those of one machine.

A file has the readings of one day, or some that came late for it. Of a folder all files are read,
so that a run of many days is one run. The number of a run is its place in the file, or in a folder
its place by time; gaps, marks, records and notes stay in the central record.
"""

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from benchwatch.central_record.archive.archive_file import (
    ALL_RUN_COLUMNS,
    FILE_VERSION,
    OWN_KEY,
    archive_files,
    connect_duckdb,
    duckdb_module,
    files_sql,
)
from benchwatch.errors import JournalError
from benchwatch.journal.journal_reader import PORTION_READINGS, Portion
from benchwatch.journal.row_checks import READING_COLUMNS, RUN_COLUMNS, RowChecks
from benchwatch.journal.schema import JournalRun
from benchwatch.quantity import how_many, printable

RunName = tuple[str, int]
"""Station and key of a run."""
_PLACES: Final = [ALL_RUN_COLUMNS.index(name) for name in RUN_COLUMNS.split(", ")]
"""Where the columns of a journal's run are in a row of the file's metadata."""


class ArchiveRunReader:
    """The runs in an archive file or folder, open for reading; a context manager.

    Args:
        path: of the file, or of a folder with such files.
        station: only runs of this one; None: of all.

    Raises:
        UsageError: the library for Parquet is not installed.
        JournalError: a file can't be read; every method may raise it.
    """

    def __init__(self, path: Path, station: str | None = None) -> None:
        self._path, self._station = path, station
        duckdb = duckdb_module()
        self._error: type[Exception] = duckdb.Error
        self._checks = RowChecks("the archive file", printable(str(path), 200))
        self._tables: Any = connect_duckdb(duckdb, ":memory:")
        self._files: dict[RunName, list[Path]] = {}
        """The files that have readings of a run."""
        self._days: dict[Path, str] = {}
        """The day (UTC) of the readings of a file, for people."""
        try:
            self._runs = self._read_runs(archive_files(str(path)))
        except BaseException:
            self._tables.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
        /,
    ) -> None:
        self._tables.close()

    # --------------------------------------------------------------- runs

    def runs(self, last: int | None = None) -> list[JournalRun]:
        """Return the runs, oldest first; of many only the `last` ones, if that is given."""
        runs = [run for run in self._runs if self._station in {None, run.station}]
        runs.sort(key=lambda run: (run.started_utc_s, run.number))
        return runs if last is None else runs[max(len(runs) - last, 0) :]

    def station_of(self, number: int) -> str | None:
        """Return the station that has the run of this number; None: there is no such run."""
        return next((run.station for run in self._runs if run.number == number), None)

    def stations(self, most: int) -> list[str]:
        """Return the names of the stations, in their order, at most so many."""
        return sorted({run.station for run in self._runs})[:most]

    def has_station(self, name: str) -> bool:
        """Return whether there is a run of a station."""
        return any(run.station == name for run in self._runs)

    def was_numbered(self, _number: int) -> bool:
        """Return False: a run never leaves a file."""
        return False

    # ------------------------------------------------------------- readings

    def count_readings(self, run: JournalRun) -> int:
        """Count the readings of `run`."""
        each = "*" if len(self._files[run.station, run.key]) == 1 else "DISTINCT number"
        return int(self._of_run(f"count({each})", run)[0][0])

    def last_reading_utc_s(self, run: JournalRun) -> float | None:
        """Return the time of the newest reading of `run`, Unix seconds; None: it has none."""
        edge = self.edge(run, last=True)
        return None if edge is None else float(edge[0])

    def has_readings(self, run: JournalRun) -> bool:
        """Return whether `run` has any readings here."""
        return bool(self._of_run("1", run, "LIMIT 1"))

    def edge(self, run: JournalRun, *, last: bool = False) -> tuple[Any, Any, Any] | None:
        """Return Unix seconds, elapsed seconds and gate (0 if unknown) of the first reading.

        None: the run has no readings here. `last`: of the last reading.
        """
        order = f"ORDER BY number {'DESC' if last else 'ASC'} LIMIT 1"
        rows = self._of_run("utc_s, elapsed_s, coalesce(gate_s, 0.0)", run, order)
        return (rows[0][0], rows[0][1], rows[0][2]) if rows else None

    def left_out_words(self, run: JournalRun, /) -> str:
        """Say which days of the run are here, and that the files have readings only."""
        days = sorted({self._days[file] for file in self._files[run.station, run.key]})
        which = days[0] if len(days) == 1 else f"{how_many(len(days), 'day')} from {days[0]} on"
        here = "in this file" if self._path.is_file() else "in this folder"
        return (
            f"only its readings of {which} (UTC) are {here}; its marks, records and notes "
            "are in the central record."
        )

    def portions(self, run: JournalRun, *, records: bool = False) -> Iterator[Portion]:  # noqa: ARG002 - there are none
        """Yield the readings of `run` in portions."""
        with self._sentences():
            found = self._tables.cursor().execute(
                *self._query(READING_COLUMNS, run, "ORDER BY number")
            )
        last: tuple[Any, ...] = ()
        while True:
            with self._sentences():
                rows = found.fetchmany(PORTION_READINGS)
            if not rows:
                return
            self._checks.rows("readings", rows, run)
            if len(self._files[run.station, run.key]) > 1:
                rows, last = self._once(rows, last), rows[-1]
            yield Portion(readings=rows)

    def _once(self, rows: list[tuple[Any, ...]], before: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        """Return rows without those that several files have, as a copy beside a file makes them.

        Raises:
            JournalError: a reading has other values in another file.
        """
        kept = []
        for row in rows:
            if row[:1] != before[:1]:
                kept.append(row)
            elif row != before:
                raise JournalError(
                    f"{printable(str(self._path), 200)} has files of several records: reading "
                    f"{row[0]} is another one in each. Put each archive into a folder of its own."
                )
            before = row
        return kept

    def notes(self, _run: JournalRun, _kind: str) -> list[tuple[int, str]]:
        """Return nothing: notes are in the central record."""
        return []

    def timed_notes(
        self, _run: JournalRun, _kinds: Sequence[str], _most: int
    ) -> list[tuple[float, str, str]]:
        """Return nothing: notes are in the central record."""
        return []

    def _of_run(self, columns: str, run: JournalRun, end: str = "") -> list[tuple[Any, ...]]:
        with self._sentences():
            rows: list[tuple[Any, ...]] = self._tables.execute(
                *self._query(columns, run, end)
            ).fetchall()
            return rows

    def _query(self, columns: str, run: JournalRun, end: str) -> tuple[str, tuple[str, int]]:
        files = files_sql(self._files[run.station, run.key])
        asked = f"SELECT {columns} FROM {files} WHERE station = ? AND run = ? {end}"  # noqa: S608 - ours
        return asked, (run.station, run.key)

    # ------------------------------------------------------- what the file says of itself

    def _read_runs(self, files: list[Path]) -> list[JournalRun]:
        """Return the runs of all files, each once, with their numbers."""
        runs: dict[RunName, JournalRun] = {}
        for file in files:
            about = self._about(file)
            self._days[file] = printable(str(about.get("day")), 20)
            for run in self._runs_of(file, about):
                name = run.station, run.key
                self._files.setdefault(name, []).append(file)
                before = runs.get(name)
                if before is None or before.ended_utc_s is None or run.ended_utc_s is not None:
                    runs[name] = run  # of a later day, which knows more of it
        found = list(runs.values())
        if len(files) > 1:
            found.sort(key=lambda run: (run.started_utc_s, run.station, run.key))
        return [replace(run, number=number) for number, run in enumerate(found, 1)]

    def _about(self, file: Path) -> dict[str, Any]:
        with self._sentences(file):
            rows = self._tables.execute(
                f"SELECT value FROM {files_sql([file], 'parquet_kv_metadata')} "  # noqa: S608 - ours
                "WHERE key = ?::blob",
                (OWN_KEY,),
            ).fetchall()
        try:
            about = json.loads(rows[0][0])
        except (IndexError, ValueError, RecursionError) as error:
            raise _damaged(file) from error
        if not isinstance(about, dict) or about.get("kind") != "archive":
            raise _damaged(file)
        if about.get("version") != FILE_VERSION:
            raise JournalError(
                f"{printable(str(file), 200)} was written by a newer Benchwatch: update it, "
                "or read the file's columns with another program."
            )
        return about

    def _runs_of(self, file: Path, about: dict[str, Any]) -> Iterator[JournalRun]:
        """Yield the runs that a file says to have."""
        rows = about.get("runs")
        if about.get("run_columns") != list(ALL_RUN_COLUMNS) or not isinstance(rows, list):
            raise _damaged(file)
        for number, row in enumerate(rows, 1):
            named = isinstance(row, list) and len(row) == len(ALL_RUN_COLUMNS)
            if not named or not isinstance(row[0], str):
                raise _damaged(file)
            yield self._checks.run([row[at] for at in _PLACES], number, row[0])

    @contextmanager
    def _sentences(self, file: Path | None = None) -> Iterator[None]:
        try:
            yield
        except (self._error, OSError) as error:
            why = (str(error).splitlines() or ["unknown"])[0]
            shown = printable(str(file or self._path), 200)
            raise JournalError(f"{shown} can't be read: {printable(why, 200)}.") from error


def _damaged(file: Path) -> JournalError:
    shown = printable(str(file), 200)
    return JournalError(f"{shown} is damaged: what it says of itself can't be read.")
