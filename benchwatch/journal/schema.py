"""The schema of a journal file: its tables, and how runs and events are written as rows."""

import itertools
import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

from benchwatch.errors import JournalError
from benchwatch.journal.migrations import migrate
from benchwatch.journal.run_numbers import TABLES as NUMBER_TABLES
from benchwatch.journal.run_numbers import number_statements, number_the_rest
from benchwatch.journal.sqlite_errors import GO_ELSEWHERE
from benchwatch.reading import Entry, Gap, Note, Reading, Record

APPLICATION_ID: Final = 0x42774A31
"""The ``application_id`` by which an SQLite file is identified as a journal."""

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
    NUMBER_TABLES,
)
"""Step n migrates a file from schema version n (its ``user_version``) to n + 1."""

RUN_COLUMNS: Final = 13
_UNNUMBERED: Final = """
    SELECT 1 FROM runs WHERE NOT EXISTS
        (SELECT 1 FROM run_numbers WHERE run_numbers.run = runs.run) LIMIT 1"""

EVENT_TABLES: Final = {"readings": 8, "gaps": 6, "marks": 5, "records": 6, "notes": 6}
"""Tables of events, and their numbers of columns; run and number are the first two."""

Row = tuple[str, Sequence[object]]
"""An SQL statement that may safely run twice, and its values."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalRun:
    """One counter watched from start to end."""

    key: int
    """Unique in this file and in any other, so that files can be merged."""
    watch: int
    """Key of the program start; its counters share the zero of elapsed time."""
    counter: str
    resource: str
    driver: str
    started_utc_s: float
    nominal_hz: Decimal | None = None
    identity: str = ""
    time_base: str = "unknown"
    gate_s: float | None = None
    settings: str = "{}"
    """Settings of the plan (tolerance, settle limit, gate), as JSON."""
    ended_utc_s: float | None = None
    """None while the run lasts, and when the program was killed."""
    end_reason: str = ""
    number: int = field(default=0, compare=False)
    """Its number in the file that it was read from; 0: it was not read from a file."""
    station: str = field(default="", compare=False)
    """The station that has it, in a central record; empty: it was read from a journal."""


def prepare(
    connection: sqlite3.Connection, path: Path, *, before_writing: Callable[[], None] | None = None
) -> None:
    """Make an empty file a journal, or migrate a journal to the present schema.

    Args:
        connection: a connection to the file.
        path: path of the file, for messages.
        before_writing: called after the file's owner was checked and before anything is changed.

    Raises:
        sqlite3.Error: the file can't be read or written.
        JournalError: the file belongs to another program, or to a newer version of this one.
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
        if connection.execute(_UNNUMBERED).fetchone() is not None:
            number_the_rest(connection)
        return
    statements = [list(filter(str.strip, step.split(";"))) for step in MIGRATIONS]
    migrate(connection, statements, APPLICATION_ID)


def check_owner(path: Path, owner: int, version: int, *, empty: bool) -> None:
    """Refuse a database of another program, or of a newer version of this one.

    Args:
        path: path of the file, for messages.
        owner: its ``application_id``.
        version: its ``user_version``.
        empty: whether it has no tables; such a file is accepted.

    Raises:
        JournalError: the database is refused.
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
    """Return the row of a run; it replaces the run's earlier row."""
    nominal = None if run.nominal_hz is None else str(run.nominal_hz)
    return "INSERT OR REPLACE INTO runs VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)", (
        run.key, run.watch, run.counter, _plain(run.resource), run.driver, run.started_utc_s,
        nominal, _plain(run.identity), run.time_base, run.gate_s, run.settings, run.ended_utc_s,
        _plain(run.end_reason),
    )  # fmt: skip


def write_run(connection: sqlite3.Connection, run: JournalRun, number: int | None = None) -> None:
    """Write a run in place of its earlier version, and number it if it has no number yet.

    Args:
        connection: the journal, in a transaction.
        run: the run.
        number: the number it has in another file; taken where it is free.
    """
    connection.execute(*run_row(run))
    for statement, values in number_statements(run.key, number):
        connection.execute(statement, values)


def lost_run(run: int, utc_s: float) -> tuple[object, ...]:
    """Return the row of a run of which only events are left, the first at `utc_s`."""
    why = "what was known of this run was lost with a damaged journal"
    return run, run, "unknown", "", "", utc_s, None, "", "unknown", None, "{}", None, why


def event_row(run: int, number: int, event: Entry) -> Row:
    """Return the row of an event; `number` increases from event to event."""
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
    """Copy the events of `runs`, as far as they can be read, in the target's open transaction."""
    for (table, columns), run in itertools.product(EVENT_TABLES.items(), runs):
        put = f"INSERT OR IGNORE INTO {table} VALUES ({','.join('?' * columns)})"  # noqa: S608 - ours
        target.executemany(put, _readable(source, "*", table, run))


def count_events(connection: sqlite3.Connection, runs: Iterable[int]) -> int:
    """Count the events of `runs`, as far as they can be read, without notes."""
    return sum(
        count
        for table, run in itertools.product(EVENT_TABLES.keys() - {"notes"}, runs)
        for (count,) in _readable(connection, "count(*)", table, run)
    )


def settings_text(**settings: object) -> str:
    """Return settings as JSON, without those that are None."""
    return json.dumps({name: value for name, value in settings.items() if value is not None})


def _readable(
    connection: sqlite3.Connection, columns: str, table: str, run: int
) -> Iterator[tuple[Any, ...]]:
    """Yield the rows of a run, up to the first damage of the file."""
    query = f"SELECT {columns} FROM {table} WHERE run = ?"  # noqa: S608 - our own words
    with suppress(sqlite3.Error):
        yield from connection.execute(query, (run,))


def _plain(text: str) -> str:
    """Replace characters that can't be stored as UTF-8 (lone surrogates)."""
    return text.encode("utf-8", "replace").decode("utf-8")
