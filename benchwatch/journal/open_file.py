"""A journal's file while it is open for writing."""

import sqlite3
from contextlib import suppress
from pathlib import Path
from typing import Final

from benchwatch.journal.place import (
    alone,
    check_kind,
    clear_leftovers,
    inode,
    is_database,
    remove_empty,
    uri,
)
from benchwatch.journal.schema import prepare

BUSY_S: Final = 0.1
"""Longest wait for another program's transaction, on the thread that reads the counter."""


class OpenFile:
    """A connection that writes, and a second one that guards what lies beside the file.

    The last connection to be closed removes log and index by name, also when its own file
    was moved away and the ones of that name belong to a new file. SQLite does that only with
    nobody else on the file, and never from a connection that can't write: so where the file
    is no longer in its place, the guard is closed last.

    Args:
        path: the file; made when missing.
        anew: a file was in use here before: an empty one is replaced instead of filled.

    Raises:
        JournalError: the file can't serve as a journal.
        sqlite3.Error: it can't be read or written.
        TimeoutError: another program is just beginning or leaving it.
    """

    def __init__(self, path: Path, *, anew: bool = False) -> None:
        self._path = path
        with alone(path, BUSY_S):
            check_kind(path)
            if anew:
                remove_empty(path)
            if not path.exists():
                clear_leftovers(path)
            self.connection = sqlite3.connect(
                path.resolve(), timeout=BUSY_S, isolation_level=None, check_same_thread=False
            )
            try:
                prepare(self.connection, path)
                self._guard = _guard(path)
            except BaseException:
                self.connection.close()
                raise
            self._inode = inode(path)

    @property
    def in_place(self) -> bool:
        """Tell whether this file is still the one at its path."""
        return inode(self._path) == self._inode

    def check_place(self) -> None:
        """See that this file is the one at its path, and still a database.

        Raises:
            FileNotFoundError: it is not; the message says how.
            OSError: that can't be found out.
        """
        if not self.in_place:
            raise FileNotFoundError("it was moved or deleted, and is begun anew")
        if not is_database(self._path):
            raise FileNotFoundError("something else has written over it")

    def sync(self) -> None:
        """Force what was written to the disk."""
        self.connection.execute("PRAGMA wal_checkpoint(PASSIVE)")

    def close(self, *, leave: bool = False) -> None:
        """Close it; with `leave` what lies at its path is another file, and is not touched."""
        if leave or not self.in_place:
            if not self.in_place:  # it lies elsewhere: put all that was written into it
                with suppress(sqlite3.Error):
                    self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            closing = self.connection, self._guard
        else:
            closing = self._guard, self.connection
        for connection in closing:
            with suppress(sqlite3.Error):
                connection.close()


def _guard(path: Path) -> sqlite3.Connection:
    guard = sqlite3.connect(uri(path), uri=True, timeout=BUSY_S, check_same_thread=False)
    try:
        guard.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except BaseException:
        guard.close()
        raise
    return guard
