"""The schema of a register file: one table, which triggers keep from being changed."""

import sqlite3
from pathlib import Path
from typing import Final

from benchwatch.errors import RegisterError
from benchwatch.journal.migrations import migrate
from benchwatch.register.register_entry import RegisterEntry

APPLICATION_ID: Final = 0x42775231
"""The ``application_id`` by which an SQLite file is identified as a register."""

ONLY_ADDED_TO: Final = "the register is only added to: write an amendment"

MIGRATIONS: Final = (
    (
        """
        CREATE TABLE entries (
            chain TEXT NOT NULL, number INTEGER NOT NULL, at TEXT NOT NULL, who TEXT NOT NULL,
            kind TEXT NOT NULL, unit TEXT, visit TEXT, amends TEXT, document TEXT NOT NULL,
            hash TEXT NOT NULL, PRIMARY KEY (chain, number))
        """,
        "CREATE INDEX entries_by_visit ON entries (visit, kind)",
        "CREATE INDEX entries_by_unit ON entries (unit, visit)",
        "CREATE INDEX entries_by_kind ON entries (kind)",
        f"""
        CREATE TRIGGER entries_are_not_changed BEFORE UPDATE ON entries
        BEGIN SELECT RAISE(ABORT, '{ONLY_ADDED_TO}'); END
        """,
        f"""
        CREATE TRIGGER entries_are_not_removed BEFORE DELETE ON entries
        BEGIN SELECT RAISE(ABORT, '{ONLY_ADDED_TO}'); END
        """,
        # INSERT OR REPLACE removes a row without a trigger for DELETE.
        f"""
        CREATE TRIGGER entries_are_not_replaced BEFORE INSERT ON entries
        WHEN EXISTS (SELECT 1 FROM entries WHERE chain = NEW.chain AND number = NEW.number)
        BEGIN SELECT RAISE(ABORT, '{ONLY_ADDED_TO}'); END
        """,  # noqa: S608 - our own words
    ),
)
"""Step n, as statements, migrates a file from schema version n (its ``user_version``) to n + 1."""

COLUMNS: Final = "chain, number, at, who, kind, unit, visit, amends, document, hash"

SELECT: Final = f"SELECT {COLUMNS} FROM entries"  # noqa: S608 - our own words
INSERT: Final = f"INSERT INTO entries ({COLUMNS}) VALUES (?,?,?,?,?,?,?,?,?,?)"  # noqa: S608 - ours


def prepare_register(connection: sqlite3.Connection, path: Path) -> None:
    """Make an empty file a register, or migrate a register to the present schema.

    Args:
        connection: a connection to the file, without a transaction.
        path: path of the file, for messages.

    Raises:
        sqlite3.Error: the file can't be read or written.
        RegisterError: the file belongs to another program, or to a newer version of this one.
    """
    if check_register(connection, path) == len(MIGRATIONS):
        return
    connection.execute("PRAGMA journal_mode = WAL")
    migrate(connection, MIGRATIONS, APPLICATION_ID)


def check_register(connection: sqlite3.Connection, path: Path) -> int:
    """Return the schema version of the file, 0 for an empty one.

    Without an open transaction the three values are read in one of their own.

    Raises:
        sqlite3.Error: the file can't be read.
        RegisterError: the file belongs to another program, or to a newer version of this one.
    """
    # In one transaction: another program may be making the register just now.
    began = not connection.in_transaction
    if began:
        connection.execute("BEGIN")
    try:
        version = _one(connection, "PRAGMA user_version")
        owner = _one(connection, "PRAGMA application_id")
        empty = not _one(connection, "SELECT count(*) FROM sqlite_master")
    finally:
        if began and connection.in_transaction:
            connection.execute("ROLLBACK")
    if owner != APPLICATION_ID and not (empty and version == 0):
        raise RegisterError(
            f"{path} is a database of another program, and no register of units and visits. Move "
            "it elsewhere, or choose another folder with --journal FILE."
        )
    if version > len(MIGRATIONS):
        raise RegisterError(
            f"the register {path} was written by a newer Benchwatch (schema {version}; this one "
            f"knows {len(MIGRATIONS)}). Update Benchwatch."
        )
    return version


def entry_row(entry: RegisterEntry) -> tuple[object, ...]:
    """Return the values of `INSERT` for an entry."""
    return (
        entry.chain, entry.number, entry.at, entry.who, entry.kind, entry.unit, entry.visit,
        entry.amends, entry.document, entry.hash,
    )  # fmt: skip


def entry_of(row: tuple[object, ...]) -> RegisterEntry:
    """Return the entry in a row of `COLUMNS`; a value of a wrong type is taken as its text."""
    chain, number, at, who, kind, unit, visit, amends, document, digest = row
    return RegisterEntry(
        chain=str(chain),
        number=number if isinstance(number, int) else 0,
        at=str(at),
        who=str(who),
        kind=str(kind),
        unit=_text(unit),
        visit=_text(visit),
        amends=_text(amends),
        document=str(document),
        hash=str(digest),
    )


def _text(value: object) -> str | None:
    return None if value is None else str(value)


def _one(connection: sqlite3.Connection, query: str) -> int:
    return int(connection.execute(query).fetchone()[0])
