"""Copies runs and events from a damaged journal into another, as far as they can be read."""

import itertools
import math
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from benchwatch.journal.journal_file import log_path, uri
from benchwatch.journal.late_events import note_late_events
from benchwatch.journal.page_scan import rows_left
from benchwatch.journal.run_numbers import (
    SMALLEST_KEY,
    carry_numbers,
    forget_counts,
    is_numbering,
    number_the_rest,
)
from benchwatch.journal.schema import APPLICATION_ID, EVENT_TABLES, RUN_COLUMNS, lost_run

ROWS_AT_ONCE: Final = 500
"""Rows in one transaction, which bounds the time that other programs wait to write the file."""
NUMBERS: Final = "run_numbers"
"""The table of the runs' numbers; it is copied first, so that runs keep their numbers."""
_TABLES: Final = {NUMBERS: 2, "runs": RUN_COLUMNS, **EVENT_TABLES}

_INT, _REAL, _TEXT = (int,), (float,), (str,)
_REAL_OR_NONE, _TEXT_OR_NONE = (float, type(None)), (str, type(None))
_COLUMN_TYPES: Final = {
    "readings": (_INT, _INT, _REAL, _REAL, _REAL_OR_NONE, _TEXT, _REAL, _TEXT),
    "gaps": (_INT, _INT, _REAL, _REAL, _REAL, _TEXT),
    "marks": (_INT, _INT, _REAL, _REAL, _TEXT),
    "records": (_INT, _INT, _REAL, _REAL, _TEXT, _TEXT),
    "notes": (_INT, _INT, _TEXT, _REAL, _REAL, _TEXT),
    "runs": (
        _INT, _INT, _TEXT, _TEXT, _TEXT, _REAL, _TEXT_OR_NONE, _TEXT, _TEXT, _REAL_OR_NONE, _TEXT,
        _REAL_OR_NONE, _TEXT,
    ),
    NUMBERS: (_INT, _INT),
}  # fmt: skip
"""Types of the columns, by which a row found in a single page is assigned to its table."""

Row = tuple[Any, ...]
Found = tuple[str, Row]
"""Name of a table, and a row of it."""


@dataclass(frozen=True, slots=True)
class Recovered:
    """The result of a recovery."""

    runs: int
    events: int
    """Readings, gaps, notes and records that were not in the target before."""
    whole: bool
    """False: the recovery was stopped before its end."""


def was_journal(path: Path) -> bool:
    """Return whether a damaged file was a journal, by its header or by rows left in its pages.

    Only for a file that SQLite reports as damaged, or as no database.
    """
    with suppress(sqlite3.Error), closing(_immutable(path)) as connection:
        (owner,) = connection.execute("PRAGMA application_id").fetchone()
        return int(owner) == APPLICATION_ID
    with suppress(OSError):
        return any(table == "readings" for table, _ in _page_rows(path, log=False))
    return False


def recover(
    path: Path, target: sqlite3.Connection, may_continue: Callable[[], bool] = lambda: True
) -> Recovered:
    """Copy all rows of the file at `path`; rows that the target already has stay as they are.

    SQLite reads the rows; if it finds damage, they are also read page by page.

    Args:
        path: a journal, whole or damaged, that no program writes.
        target: an open journal, in no transaction.
        may_continue: called between two transactions; False stops the copying.

    Raises:
        sqlite3.Error: the target can't be written.
        OSError: the file can't be read.
    """
    runs: set[int] = set()
    events, whole = 0, True
    found = itertools.chain(_readable(path), _page_rows(path) if is_damaged(path) else ())
    while some := list(itertools.islice(found, ROWS_AT_ONCE)):
        began_s = time.monotonic()
        events += _write_rows(target, some)
        runs |= {row[0] for table, row in some if table != NUMBERS}
        if not may_continue():
            whole = False
            break
        time.sleep(time.monotonic() - began_s)  # let waiting programs write
    if whole:
        _name_lost_runs(target)
    number_the_rest(target)
    return Recovered(len(runs), events, whole=whole)


def recover_numbers(path: Path, target: sqlite3.Connection) -> None:
    """Copy the numbers of runs from a damaged file, as far as SQLite can read them at once.

    To be done before anything is written to `target`, so that no new run gets the number of an
    old one.

    Raises:
        sqlite3.Error: the target can't be written.
    """
    rows = []
    with suppress(sqlite3.Error, OSError), closing(_open(path)) as connection:
        for row in connection.execute(f"SELECT number, run FROM {NUMBERS}"):  # noqa: S608 - ours
            rows.append(row)  # noqa: PERF402 - those before the damage are kept
    target.execute("BEGIN IMMEDIATE")
    carry_numbers(rows, target)
    target.execute("COMMIT")


def _write_rows(target: sqlite3.Connection, found: Iterable[Found]) -> int:
    """Write rows in one transaction; return the number of new events."""
    new = 0
    grown: dict[int, int] = {}
    target.execute("BEGIN IMMEDIATE")
    try:
        for table, row in found:
            if table == NUMBERS:
                carry_numbers([row], target)
                continue
            marks = ",".join("?" * _TABLES[table])
            done = target.execute(f"INSERT OR IGNORE INTO {table} VALUES ({marks})", row)  # noqa: S608
            if table == "runs" and not done.rowcount:
                target.execute(
                    "UPDATE runs SET ended_utc_s = ?, end_reason = ? "
                    "WHERE run = ? AND ended_utc_s IS NULL",
                    (*row[-2:], row[0]),
                )
            elif done.rowcount and table != "runs":
                new += 1
                grown[row[0]] = min(row[1], grown.get(row[0], row[1]))
        forget_counts(target, grown)
        note_late_events(target, grown)
        target.execute("COMMIT")
    except sqlite3.Error:
        if target.in_transaction:
            target.execute("ROLLBACK")
        raise
    return new


def _name_lost_runs(target: sqlite3.Connection) -> None:
    """Add a run for events whose run is lost, so that the events can be read."""
    for table in EVENT_TABLES:
        query = (
            f"SELECT run, min(utc_s) FROM {table} WHERE run NOT IN (SELECT run FROM runs) "  # noqa: S608
            "GROUP BY run"
        )
        for run, utc_s in target.execute(query).fetchall():
            _write_rows(target, [("runs", lost_run(run, utc_s))])


def _readable(path: Path) -> Iterator[Found]:
    """Yield the rows that SQLite can read, up to the first damage of each table."""
    try:
        connection = _open(path)
    except sqlite3.Error:
        return
    with closing(connection):
        for table in _TABLES:
            with suppress(sqlite3.Error):
                for row in connection.execute(f"SELECT * FROM {table}"):  # noqa: S608 - ours
                    if _belongs(row, table):
                        yield table, row


def _page_rows(path: Path, *, log: bool = True) -> Iterator[Found]:
    """Yield the rows that can be read from single pages."""
    for row in rows_left(path, log=log):
        for table, types in _COLUMN_TYPES.items():
            if len(row) == len(types):
                # A real number without a fraction is stored as an integer.
                real = tuple(
                    float(value) if float in kinds and isinstance(value, int) else value
                    for value, kinds in zip(row, types, strict=True)
                )
                # The index of the numbers has the same two columns, the other way round.
                if _belongs(real, table) and (
                    table != NUMBERS or real[0] < SMALLEST_KEY <= real[1]
                ):
                    yield table, real


def _belongs(row: Row, table: str) -> bool:
    types = _COLUMN_TYPES[table]
    if table == NUMBERS:
        return is_numbering(row)
    return (
        len(row) == len(types)
        and all(map(isinstance, row, types))
        and all(value >= 0 for value in row if isinstance(value, int))
        and all(math.isfinite(value) for value in row if isinstance(value, float))
    )


def is_damaged(path: Path) -> bool:
    """Return whether SQLite finds damage in the file (``PRAGMA quick_check``)."""
    try:
        with closing(_open(path)) as connection:
            return bool(connection.execute("PRAGMA quick_check(1)").fetchone() != ("ok",))
    except sqlite3.Error:
        return True


def _open(path: Path) -> sqlite3.Connection:
    """Open a file that may be damaged or truncated, with its log if that can be read.

    Raises:
        sqlite3.Error: SQLite can't read the file at all.
    """
    if path.stat().st_size == 0:
        raise sqlite3.DatabaseError("it is empty")  # opened, SQLite would discard its log
    log = log_path(path, "-wal")
    if log.exists() and log.stat().st_size:
        connection = sqlite3.connect(uri(path), uri=True, timeout=1.0)
        try:
            return _tolerant(connection)
        except sqlite3.Error:
            connection.close()
    return _immutable(path)


def _immutable(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(uri(path, "immutable=1"), uri=True)
    try:
        return _tolerant(connection)
    except sqlite3.Error:
        connection.close()
        raise


def _tolerant(connection: sqlite3.Connection) -> sqlite3.Connection:
    """Make a connection accept a truncated file, and text that is not UTF-8."""
    connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
    connection.execute("PRAGMA writable_schema = ON")
    connection.execute("PRAGMA cell_size_check = ON")
    connection.execute("PRAGMA schema_version").fetchone()
    return connection
