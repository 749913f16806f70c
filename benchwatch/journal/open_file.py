"""A journal's file while it is open for writing."""

import os
import sqlite3
from contextlib import suppress
from pathlib import Path
from typing import Final

from benchwatch.errors import JournalError
from benchwatch.journal.damaged_file import DAMAGE, has_other_name, set_aside
from benchwatch.journal.journal_file import (
    TINY,
    alone,
    beside,
    check_kind,
    clear_leftovers,
    inode,
    is_database,
    remove_empty,
    uri,
)
from benchwatch.journal.recovery import was_journal
from benchwatch.journal.schema import prepare
from benchwatch.journal.sqlite_errors import GO_ELSEWHERE, code
from benchwatch.journal.write_ahead_log import LogExtent, commits_after, log_extent

LOG_BYTES: Final = 8_000_000
"""A log beside the file that can't be emptied is worth a word from this size on."""
BUSY_S: Final = 0.1
"""Longest wait for another program's transaction, on the thread that reads the counter."""


class OpenFile:
    """A connection that writes, and a second one, the guard, that protects log and index.

    The last connection to be closed removes log and index by name, also when its own file
    was moved away and those names belong to a new file. SQLite does that only when no other
    connection is open, and never from one that can't write: so where the file is no longer at
    its path, the guard is closed last.

    Args:
        path: the file; made when missing.
        utc_s: now; a damaged file is set aside under a name with that date.
        anew: a file was in use here before: an empty one is replaced instead of filled.
        ours: only this program writes to that path: a file that is no journal is set aside as
            damaged, and not refused.
        damaged: the inode of a file that was found damaged while it was written.

    Raises:
        JournalError: the file can't serve as a journal.
        sqlite3.Error: it can't be read or written.
        TimeoutError: another program is opening or closing it.
    """

    def __init__(
        self,
        path: Path,
        *,
        utc_s: float,
        anew: bool = False,
        ours: bool = False,
        damaged: tuple[int, int] | None = None,
    ) -> None:
        self._path = path
        self.aside: Path | None = None
        """The new name of a damaged file that was at the path before."""
        self.lost = 0
        """Commits in the log beside it that SQLite could not recover."""
        with alone(path, BUSY_S):
            if (damaged is not None and inode(path) == damaged) or _is_spoilt(path, ours, anew):
                self._set_aside(utc_s)
            try:
                self._open(anew=anew)
            except sqlite3.DatabaseError as error:
                if code(error) not in DAMAGE or not (ours or was_journal(path)):
                    raise
                self._set_aside(utc_s)
                self._open(anew=anew)

    def _open(self, *, anew: bool) -> None:
        path = self._path
        check_kind(path)
        if anew:
            remove_empty(path)
        if not path.exists():
            clear_leftovers(path)
        elif has_other_name(path):
            raise JournalError(
                f"the journal has a second name (a hard link), and programs that open it by "
                f"different names would spoil it ({path}). Remove the other name, or copy the "
                f"file under a new one. {GO_ELSEWHERE}"
            )
        stated = log_extent(path)
        self.connection = sqlite3.connect(
            path.resolve(), timeout=BUSY_S, isolation_level=None, check_same_thread=False
        )
        try:
            prepare(self.connection, path, before_writing=lambda: self._count_lost(stated))
            # A log that had grown large is cut when it is begun anew.
            self.connection.execute(f"PRAGMA journal_size_limit = {LOG_BYTES}")
            self._guard = _guard(path)
        except BaseException:
            self.connection.close()
            raise
        self.inode = inode(path)

    def _count_lost(self, stated: LogExtent | None) -> None:
        """Count the commits of the log that SQLite could not recover; one with any is emptied.

        Else they would be counted again the next time. While another program has the journal
        open, its log is whole, and holds what it states as soon as a commit under way is over.
        """
        if stated is None:
            return
        lost = 0
        for _ in range(2):
            found = self.connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
            lost = commits_after(self._path, stated, int(found[1]))
            if not lost:
                return
            try:
                self.connection.execute("BEGIN IMMEDIATE")
                self.connection.execute("ROLLBACK")
            except sqlite3.OperationalError:
                return  # another program is writing
        self.lost = lost
        self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _set_aside(self, utc_s: float) -> None:
        try:
            self.aside = set_aside(self._path, utc_s)
        except OSError as error:
            raise JournalError(
                f"the journal is damaged, and can't be set aside: {error.strerror} "
                f"({self._path}). {GO_ELSEWHERE}"
            ) from error

    @property
    def in_place(self) -> bool:
        """Tell whether this file is still the one at its path."""
        return inode(self._path) == self.inode

    def check_place(self) -> None:
        """Check that this file is the one at its path, and still a database.

        Raises:
            FileNotFoundError: it is not; the message says how.
            OSError: the path can't be looked at.
        """
        if not self.in_place:
            raise FileNotFoundError("it was moved or deleted, and is begun anew")
        if not is_database(self._path):
            raise FileNotFoundError("something else has written over it")

    def sync(self) -> int:
        """Force what was written to the disk; return the bytes of a log that can't be emptied.

        A log can't be emptied while another program has a reading transaction open. 0: none has.
        """
        _, pages, taken_over = self.connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        if taken_over == pages:
            return 0
        log = beside(self._path, "-wal")
        return log.stat().st_size if log.exists() else 0

    def close(self, *, leave: bool = False) -> None:
        """Close it; with `leave` the file at its path is another one, and is not touched."""
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


def _is_spoilt(path: Path, ours: bool, anew: bool) -> bool:
    """Tell, before it is opened, whether the file at `path` is a journal that was destroyed."""
    if not path.is_file():
        return False
    if path.stat().st_size == 0:  # SQLite would throw the log away
        log = beside(path, "-wal")
        return not anew and log.exists() and log.stat().st_size > 0
    if not os.access(path, os.R_OK) or path.stat().st_size == TINY or is_database(path):
        return False
    return ours or was_journal(path)


def _guard(path: Path) -> sqlite3.Connection:
    guard = sqlite3.connect(uri(path), uri=True, timeout=BUSY_S, check_same_thread=False)
    try:
        guard.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except BaseException:
        guard.close()
        raise
    return guard
