"""Moves old runs from a journal to an archive file, while other programs may write the journal.

A run is copied and forced to the disk, compared with the journal row by row, and only then
deleted from the journal, its last events first and its own row last. If the program is killed in
between, every row is in one of the two files, and the next call completes the move. At any moment
the journal has all events of a run up to some number: a program that sends it claims no more.
"""

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchwatch.errors import JournalError
from benchwatch.journal.damaged_file import LONGEST_WAIT_S
from benchwatch.journal.journal_file import (
    check_kind,
    check_name,
    inode,
    is_database,
    locked_folder,
    log_path,
)
from benchwatch.journal.run_numbers import number_statements
from benchwatch.journal.schema import EVENT_TABLES, prepare
from benchwatch.journal.sqlite_errors import sentence

ROWS_AT_ONCE: Final = 1000
"""Rows deleted in one transaction, which bounds the time that a watch waits for the journal."""
PAGES_AT_ONCE: Final = 100
"""Pages freed in one transaction."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Archived:
    """The result of moving old runs to an archive."""

    runs: int
    """Runs moved."""
    events: int
    """Events moved: readings, gaps, notes and records."""
    unended: int
    """Old runs not moved because they may still be watched."""
    bytes_before: int
    """Size of the journal's file and its write-ahead log before."""
    bytes_after: int
    """The same size afterwards."""


def archive(path: Path, into: Path, before_utc_s: float) -> Archived:
    """Move every watch that ended before `before_utc_s` from the journal to the file `into`.

    Runs of one watch stay together. A run without an end may still be watched; it is moved
    only if no other program has the journal open.

    Args:
        path: the journal.
        into: the archive: a new file, or an earlier archive.
        before_utc_s: Unix seconds.

    Raises:
        JournalError: one of the files can't be used.
    """
    if not has_database(path):
        raise JournalError(f"there is no journal at {path} yet.")
    check_name(into)
    check_kind(into)
    if inode(into) == inode(path):
        raise JournalError(f"{into} is the journal itself: give another file to archive into.")
    watched = in_use(path)
    before = _size(path)
    with _both_files(path, into) as both:
        old, unended = _old_watches(both, before_utc_s, watched=watched)
        runs = events = 0
        for run in old:
            events += _move(both, run)
            runs += 1
    compact(path)
    return Archived(
        runs=runs, events=events, unended=unended, bytes_before=before, bytes_after=_size(path)
    )


def compact(path: Path) -> None:
    """Return the unused pages of the journal to the disk, as far as possible.

    They are freed in small transactions, so that other programs can write. A journal made by an
    early version can only be rewritten as a whole, and only if no other program has it open.

    Raises:
        JournalError: the journal can't be compacted.
    """
    try:
        with closing(_connect(path)) as connection:
            step_by_step = connection.execute("PRAGMA auto_vacuum").fetchone() == (2,)
            if step_by_step:
                while connection.execute("PRAGMA freelist_count").fetchone() != (0,):
                    began_s = time.monotonic()
                    connection.execute(f"PRAGMA incremental_vacuum({PAGES_AT_ONCE})").fetchall()
                    time.sleep(time.monotonic() - began_s)
            elif not in_use(path):
                connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
                connection.execute("VACUUM")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    except sqlite3.Error as error:
        raise JournalError(f"{sentence(path, error)}: it is not compacted.") from error


def in_use(path: Path) -> bool:
    """Return whether another connection to the journal is open, in this program or another."""
    with closing(sqlite3.connect(path.resolve(), timeout=0.0, isolation_level=None)) as connection:
        try:
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.OperationalError:
            return True
        return False


def has_database(path: Path) -> bool:
    """Return whether there is a database at `path`."""
    return path.exists() and is_database(path)


@contextmanager
def _both_files(path: Path, into: Path) -> Iterator[sqlite3.Connection]:
    """Open both files on one connection, the archive as the schema ``old``."""
    try:
        with locked_folder(into, LONGEST_WAIT_S), closing(_connect(into)) as made:
            prepare(made, into)
        with closing(_connect(path)) as both:
            prepare(both, path)
            both.execute("ATTACH ? AS old", (str(into.resolve()),))
            both.execute("PRAGMA old.synchronous = FULL")
            yield both
            both.execute("PRAGMA old.wal_checkpoint(TRUNCATE)")
    except sqlite3.Error as error:
        raise JournalError(
            f"{sentence(path, error)}, or {into} does. What was moved is whole; do it again when "
            "that is mended."
        ) from error
    except TimeoutError as error:
        raise JournalError(f"{error} ({into}).") from error


def _old_watches(
    both: sqlite3.Connection, before_utc_s: float, *, watched: bool
) -> tuple[list[int], int]:
    """Return the runs to move, oldest first, and how many old runs may still be watched."""
    keys: list[int] = []
    unended = 0
    for (watch,) in both.execute(
        "SELECT watch FROM main.runs GROUP BY watch HAVING max(started_utc_s) < ? ORDER BY watch",
        (before_utc_s,),
    ).fetchall():
        runs = both.execute(
            "SELECT run, ended_utc_s FROM main.runs WHERE watch = ? ORDER BY run", (watch,)
        ).fetchall()
        ends = [_last_reading_s(both, run) if ended is None else ended for run, ended in runs]
        if any(end is not None and end >= before_utc_s for end in ends):
            continue
        open_ended = sum(ended is None for _, ended in runs)
        if open_ended and watched:
            unended += open_ended
            continue
        keys += [run for run, _ in runs]
    return keys, unended


def _last_reading_s(both: sqlite3.Connection, run: int) -> float | None:
    query = "SELECT utc_s FROM main.readings WHERE run = ? ORDER BY number DESC LIMIT 1"
    row = both.execute(query, (run,)).fetchone()
    return None if row is None else float(row[0])


def _move(both: sqlite3.Connection, run: int) -> int:
    """Move one run; return how many events it had in the journal."""
    both.execute("BEGIN")
    try:
        both.execute(
            "INSERT OR REPLACE INTO old.runs SELECT * FROM main.runs WHERE run = ?", (run,)
        )
        for table in EVENT_TABLES:
            both.execute(
                f"INSERT OR IGNORE INTO old.{table} SELECT * FROM main.{table} WHERE run = ?",  # noqa: S608
                (run,),
            )
        _copy_number(both, run)
        both.execute("COMMIT")
    except sqlite3.Error:
        with suppress(sqlite3.Error):
            both.execute("ROLLBACK")
        raise
    for table in EVENT_TABLES:
        rows = f"SELECT * FROM {{}}.{table} WHERE run = :run"  # noqa: S608 - ours
        missing = f"SELECT count(*) FROM ({rows.format('main')} EXCEPT {rows.format('old')})"  # noqa: S608
        if both.execute(missing, {"run": run}).fetchone() != (0,):
            raise sqlite3.DatabaseError(f"run {run} is not whole in the archive")
    events = 0
    while took := _delete_last(both, run):
        events += took
    both.execute("DELETE FROM main.run_counts WHERE run = ?", (run,))
    both.execute("DELETE FROM main.runs WHERE run = ?", (run,))
    return events


def _delete_last(both: sqlite3.Connection, run: int) -> int:
    """Delete the last events of a run from the journal; return how many, 0 if there are none."""
    began_s = time.monotonic()
    each = (f"SELECT number FROM main.{table} WHERE run = :run" for table in EVENT_TABLES)  # noqa: S608 - ours
    last = f"{' UNION ALL '.join(each)} ORDER BY number DESC LIMIT {ROWS_AT_ONCE}"
    both.execute("BEGIN IMMEDIATE")
    try:
        (first,) = both.execute(f"SELECT min(number) FROM ({last})", {"run": run}).fetchone()  # noqa: S608
        took = 0
        for table in EVENT_TABLES:
            query = f"DELETE FROM main.{table} WHERE run = ? AND number >= ?"  # noqa: S608 - ours
            took += both.execute(query, (run, first)).rowcount
        both.execute("COMMIT")
    except sqlite3.Error:
        with suppress(sqlite3.Error):
            both.execute("ROLLBACK")
        raise
    time.sleep(time.monotonic() - began_s)  # let waiting programs write
    return took


def _copy_number(both: sqlite3.Connection, run: int) -> None:
    """Number a run in the archive, and copy the count of its readings.

    It keeps its number where that is free. The journal keeps the number too, so that no later
    run gets it.
    """
    row = both.execute("SELECT number FROM main.run_numbers WHERE run = ?", (run,)).fetchone()
    number = None if row is None else int(row[0])
    for statement, values in number_statements(run, number, schema="old"):
        both.execute(statement, values)
    both.execute(
        "INSERT OR REPLACE INTO old.run_counts SELECT * FROM main.run_counts WHERE run = ?", (run,)
    )


def _connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path.resolve(), timeout=LONGEST_WAIT_S, isolation_level=None)


def _size(path: Path) -> int:
    log = log_path(path, "-wal")
    return path.resolve().stat().st_size + (log.stat().st_size if log.exists() else 0)
