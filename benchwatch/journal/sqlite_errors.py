"""Messages for people about errors of SQLite."""

import sqlite3
from pathlib import Path
from typing import Final

PREDICATES: Final = {
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
"""Predicate of the message, by the primary result code of the error."""

GO_ELSEWHERE: Final = "Choose another with --journal FILE, or go without with --no-journal."


def code(error: sqlite3.Error) -> int:
    """Return the primary SQLite result code of `error`; 0 when it has none."""
    return int(getattr(error, "sqlite_errorcode", 0)) & 0xFF


def sentence(path: Path, error: Exception) -> str:
    """Return the message on `error` of the journal at `path`, without a full stop."""
    why = PREDICATES.get(code(error)) if isinstance(error, sqlite3.Error) else None
    return f"the journal {why or f'fails: {error}'} ({path})"
