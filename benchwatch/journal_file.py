"""What is inside a journal file: its tables, and how runs and events become rows."""

import itertools
import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

from benchwatch.errors import JournalError
from benchwatch.reading import Event, Gap, Reading, Record

APPLICATION_ID: Final = 0x42774A31
"""Marks an SQLite file as a journal of ours (its ``application_id``)."""

MIGRATIONS: Final = (
    """
    CREATE TABLE runs (
        run INTEGER PRIMARY KEY, watch INTEGER NOT NULL, counter TEXT NOT NULL,
        resource TEXT NOT NULL, driver TEXT NOT NULL, started_utc_s REAL NOT NULL,
        nominal_hz TEXT, identity TEXT NOT NULL, time_base TEXT NOT NULL, gate_s REAL,
        settings TEXT NOT NULL, ended_utc_s REAL, end_reason TEXT NOT NULL);
    CREATE TABLE readings (
        run INTEGER NOT NULL, number INTEGER NOT NULL, utc_s REAL NOT NULL,
        elapsed_s REAL NOT NULL, gate_s REAL, text TEXT NOT NULL, resolution_hz REAL NOT NULL,
        flags TEXT NOT NULL, PRIMARY KEY (run, number)) WITHOUT ROWID;
    CREATE TABLE gaps (
        run INTEGER NOT NULL, number INTEGER NOT NULL, utc_s REAL NOT NULL,
        elapsed_s REAL NOT NULL, lasted_s REAL NOT NULL, reason TEXT NOT NULL,
        PRIMARY KEY (run, number)) WITHOUT ROWID;
    CREATE TABLE marks (
        run INTEGER NOT NULL, number INTEGER NOT NULL, utc_s REAL NOT NULL,
        elapsed_s REAL NOT NULL, text TEXT NOT NULL,
        PRIMARY KEY (run, number)) WITHOUT ROWID;
    """,
    """
    CREATE TABLE records (
        run INTEGER NOT NULL, number INTEGER NOT NULL, utc_s REAL NOT NULL,
        elapsed_s REAL NOT NULL, kind TEXT NOT NULL, document TEXT NOT NULL,
        PRIMARY KEY (run, number)) WITHOUT ROWID;
    """,
)
"""Step n takes a file from schema version n (its ``user_version``) to n + 1."""

EVENT_TABLES: Final = {"readings": 8, "gaps": 6, "marks": 5, "records": 6}
"""Where events are, and how many columns they have; run and number come first."""

WHY: Final = {
    sqlite3.SQLITE_BUSY: "is locked by another program",
    sqlite3.SQLITE_LOCKED: "is locked by another program",
    sqlite3.SQLITE_FULL: "can't grow: the disk is full",
    sqlite3.SQLITE_READONLY: "can't be written: it, its folder or its disk is read-only",
    sqlite3.SQLITE_PERM: "can't be written: permission denied",
    sqlite3.SQLITE_CANTOPEN: "can't be opened: no such file, its folder is missing, or it is "
    "no plain file that may be written",
    sqlite3.SQLITE_NOTADB: "is damaged, or is no journal",
    sqlite3.SQLITE_CORRUPT: "is damaged",
    sqlite3.SQLITE_IOERR: "can't be written: the disk reports an error, or a size limit is reached",
}
"""What an SQLite error (its primary code) means to a person."""

GO_ELSEWHERE: Final = "Choose another with --journal FILE, or go without with --no-journal."

_MAGIC: Final = b"SQLite format 3\0"
"""How every SQLite file begins (https://www.sqlite.org/fileformat.html, section 1.3)."""

Row = tuple[str, Sequence[object]]
"""An SQL statement that may run twice without harm, and its values."""


@dataclass(frozen=True, slots=True)
class Run:
    """One counter watched from start to end."""

    key: int
    """Unique in the file, and in any file it is merged with."""
    watch: int
    """The same for all counters of one program start: they share the zero of elapsed time."""
    counter: str
    resource: str
    driver: str
    started_utc_s: float
    nominal_hz: Decimal | None = None
    identity: str = ""
    time_base: str = "unknown"
    gate_s: float | None = None
    settings: str = "{}"
    """What was asked for (tolerance, settle limit, gate to set), as JSON."""
    ended_utc_s: float | None = None
    """None also when the program was killed."""
    end_reason: str = ""


def code(error: sqlite3.Error) -> int:
    """Return the primary SQLite result code of `error`; 0 when it has none."""
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def sentence(path: Path, error: Exception) -> str:
    """Say what `error` means for the journal at `path`, without a full stop; the path last."""
    why = WHY.get(code(error)) if isinstance(error, sqlite3.Error) else None
    return f"the journal {why or f'fails: {error}'} ({path})"


def check_kind(path: Path) -> None:
    """Refuse what is there already and is no database: SQLite would overwrite a tiny file.

    Raises:
        JournalError: the file is of another kind, or can't be read.
    """
    try:
        if not path.exists() or (path.is_file() and path.stat().st_size == 0):
            return
        if path.is_file() and is_database(path):
            return
    except OSError as error:
        raise JournalError(f"the journal can't be opened: {error.strerror} ({path}).") from error
    raise JournalError(f"the journal is damaged, or is no journal ({path}). {GO_ELSEWHERE}")


def is_database(path: Path) -> bool:
    """Tell whether the file at `path` begins as an SQLite file does; raises `OSError`."""
    with path.open("rb") as file:
        return file.read(len(_MAGIC)) == _MAGIC


def remove_empty(path: Path) -> None:
    """Remove a file that was emptied while it was open: SQLite would mix the old with the new."""
    with suppress(OSError):
        if path.is_file() and path.stat().st_size == 0:
            path.unlink()


def clear_leftovers(path: Path) -> None:
    """Remove what SQLite kept beside a file that is gone.

    A new file would share it with whoever still has the old one open, and spoil the old one.
    """
    for suffix in ("-wal", "-shm"):
        with suppress(OSError):
            path.with_name(path.name + suffix).unlink(missing_ok=True)


def prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Make the file a journal of the present schema, or check that it is one.

    Raises:
        sqlite3.Error: it can't be read or written.
        JournalError: it belongs to another program, or to a newer version of this one.
    """
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    check_owner(path, owner, version, empty=not tables)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = NORMAL")
    if version == len(MIGRATIONS):
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        for step in MIGRATIONS[version:]:
            for statement in filter(str.strip, step.split(";")):
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        connection.execute("COMMIT")
    except sqlite3.Error:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def check_owner(path: Path, owner: int, version: int, *, empty: bool) -> None:
    """Refuse a database that is not ours, or newer than this program.

    Raises:
        JournalError: it is either.
    """
    if owner != APPLICATION_ID and not (empty and version == 0):
        raise JournalError(
            f"{path} is a database of another program, not a journal. {GO_ELSEWHERE}"
        )
    if version > len(MIGRATIONS):
        raise JournalError(
            f"the journal {path} was written by a newer Benchwatch (schema {version}; this one "
            f"knows {len(MIGRATIONS)}). Update Benchwatch, or choose another with --journal FILE."
        )


def run_row(run: Run) -> Row:
    """Return the row of a run; it replaces an older one."""
    nominal = None if run.nominal_hz is None else str(run.nominal_hz)
    return "INSERT OR REPLACE INTO runs VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)", (
        run.key, run.watch, run.counter, _plain(run.resource), run.driver, run.started_utc_s,
        nominal, _plain(run.identity), run.time_base, run.gate_s, run.settings, run.ended_utc_s,
        _plain(run.end_reason),
    )  # fmt: skip


def event_row(run: int, number: int, event: Event) -> Row:
    """Return the row of an event; `number` counts the events of the run."""
    if isinstance(event, Reading):
        flags = ",".join(sorted(event.flags)) if event.flags else ""
        return "INSERT OR IGNORE INTO readings VALUES (?,?,?,?,?,?,?,?)", (
            run, number, event.utc_s, event.elapsed_s, event.gate_s, event.text,
            event.resolution_hz, flags,
        )  # fmt: skip
    if isinstance(event, Gap):
        return "INSERT OR IGNORE INTO gaps VALUES (?,?,?,?,?,?)", (
            run, number, event.utc_s, event.elapsed_s, event.lasted_s, _plain(event.reason),
        )  # fmt: skip
    if isinstance(event, Record):
        return "INSERT OR IGNORE INTO records VALUES (?,?,?,?,?,?)", (
            run, number, event.utc_s, event.elapsed_s, event.kind, event.document,
        )  # fmt: skip
    return "INSERT OR IGNORE INTO marks VALUES (?,?,?,?,?)", (
        run, number, event.utc_s, event.elapsed_s, _plain(event.text),
    )  # fmt: skip


def copy_events(
    source: sqlite3.Connection, target: sqlite3.Connection, runs: Iterable[int]
) -> None:
    """Copy the events of `runs`, as far as they can be read, in the target's transaction."""
    for (table, columns), run in itertools.product(EVENT_TABLES.items(), runs):
        put = f"INSERT OR IGNORE INTO {table} VALUES ({','.join('?' * columns)})"  # noqa: S608 - ours
        target.executemany(put, _readable(source, "*", table, run))


def count_events(connection: sqlite3.Connection, runs: Iterable[int]) -> int:
    """Count the events of `runs`, as far as they can be read."""
    return sum(
        count
        for table, run in itertools.product(EVENT_TABLES, runs)
        for (count,) in _readable(connection, "count(*)", table, run)
    )


def settings_text(**settings: object) -> str:
    """Write what was asked for as JSON; what was not asked for is left out."""
    return json.dumps({name: value for name, value in settings.items() if value is not None})


def _readable(
    connection: sqlite3.Connection, columns: str, table: str, run: int
) -> Iterator[tuple[Any, ...]]:
    """Give the rows of a run up to where the file is damaged."""
    query = f"SELECT {columns} FROM {table} WHERE run = ?"  # noqa: S608 - our own words
    with suppress(sqlite3.Error):
        yield from connection.execute(query, (run,))


def _plain(text: str) -> str:
    """Replace what can't be stored as UTF-8 (lone surrogates)."""
    return text.encode("utf-8", "replace").decode("utf-8")
