"""What is inside a journal file: its tables, and how runs and events become rows."""

import itertools
import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

from benchwatch.errors import JournalError
from benchwatch.journal.sqlite_errors import GO_ELSEWHERE
from benchwatch.reading import Entry, Gap, Note, Reading, Record

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
    """
    CREATE TABLE notes (
        run INTEGER NOT NULL, number INTEGER NOT NULL, kind TEXT NOT NULL,
        utc_s REAL NOT NULL, elapsed_s REAL NOT NULL, document TEXT NOT NULL,
        PRIMARY KEY (run, number)) WITHOUT ROWID;
    """,
)
"""Step n takes a file from schema version n (its ``user_version``) to n + 1."""

RUN_COLUMNS: Final = 13

EVENT_TABLES: Final = {"readings": 8, "gaps": 6, "marks": 5, "records": 6, "notes": 6}
"""Where events are, and how many columns they have; run and number come first."""

Row = tuple[str, Sequence[object]]
"""An SQL statement that does no harm when it runs twice, and its values."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalRun:
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


def prepare(
    connection: sqlite3.Connection, path: Path, *, before_writing: Callable[[], None] | None = None
) -> None:
    """Make the file a journal of the present schema, or check that it is one.

    Args:
        connection: to the file.
        path: of the file, for messages.
        before_writing: called once the file is known to be ours and before anything is changed.

    Raises:
        sqlite3.Error: it can't be read or written.
        JournalError: it belongs to another program, or to a newer version of this one.
    """
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    check_owner(path, owner, version, empty=not tables)
    if before_writing is not None:
        before_writing()
    if not tables:
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")  # can be set before the first table
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


def run_row(run: JournalRun) -> Row:
    """Return the row of a run; it replaces an older one."""
    nominal = None if run.nominal_hz is None else str(run.nominal_hz)
    return "INSERT OR REPLACE INTO runs VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)", (
        run.key, run.watch, run.counter, _plain(run.resource), run.driver, run.started_utc_s,
        nominal, _plain(run.identity), run.time_base, run.gate_s, run.settings, run.ended_utc_s,
        _plain(run.end_reason),
    )  # fmt: skip


def lost_run(run: int, utc_s: float) -> tuple[object, ...]:
    """Return the values of a run of which only events are left; `utc_s`: of the first of them."""
    why = "what was known of this run was lost with a damaged journal"
    return run, run, "unknown", "", "", utc_s, None, "", "unknown", None, "{}", None, why


def event_row(run: int, number: int, event: Entry) -> Row:
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
    if isinstance(event, Note):
        return "INSERT OR IGNORE INTO notes VALUES (?,?,?,?,?,?)", (
            run, number, event.kind, event.utc_s, event.elapsed_s, event.document,
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
    """Count the events of `runs`, as far as they can be read, without the program's own notes."""
    return sum(
        count
        for table, run in itertools.product(EVENT_TABLES.keys() - {"notes"}, runs)
        for (count,) in _readable(connection, "count(*)", table, run)
    )


def settings_text(**settings: object) -> str:
    """Return the settings that were asked for as JSON; None is left out."""
    return json.dumps({name: value for name, value in settings.items() if value is not None})


def _readable(
    connection: sqlite3.Connection, columns: str, table: str, run: int
) -> Iterator[tuple[Any, ...]]:
    """Yield the rows of a run up to where the file is damaged."""
    query = f"SELECT {columns} FROM {table} WHERE run = ?"  # noqa: S608 - our own words
    with suppress(sqlite3.Error):
        yield from connection.execute(query, (run,))


def _plain(text: str) -> str:
    """Replace what can't be stored as UTF-8 (lone surrogates)."""
    return text.encode("utf-8", "replace").decode("utf-8")
