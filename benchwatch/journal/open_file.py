"""A journal's file that is open for writing."""

import os
import sqlite3
from contextlib import suppress
from pathlib import Path
from typing import Final

from benchwatch.errors import JournalError
from benchwatch.journal.damaged_file import DAMAGE_CODES, has_other_name, set_aside
from benchwatch.journal.journal_file import (
    TINY_BYTES,
    check_kind,
    clear_leftovers,
    inode,
    is_database,
    locked_folder,
    log_path,
    remove_empty,
    uri,
)
from benchwatch.journal.recovery import recover_numbers, was_journal
from benchwatch.journal.schema import prepare
from benchwatch.journal.sqlite_errors import GO_ELSEWHERE, code
from benchwatch.journal.write_ahead_log import LogExtent, commits_after, log_extent

LARGE_LOG_BYTES: Final = 8_000_000
"""Size from which a write-ahead log that can't be emptied is reported."""
LONGEST_BUSY_S: Final = 0.1
"""Longest wait for another program's transaction, on the thread that reads the counter."""


class OpenFile:
    """A connection that writes, and a read-only one, the guard, that protects log and index.

    SQLite removes log and index by name when the last connection is closed, even if the file was
    moved away and these names belong to a new file. A read-only connection that is closed last
    removes nothing: so the guard is closed last if the file is no longer at its path.

    Args:
        path: the file; made when missing.
        utc_s: the present, Unix seconds; part of the name under which a damaged file is set aside.
        replace_empty: replace an empty file at `path`, because a file was open there before.
        exclusive: only this program writes to `path`: a file that is not a journal is set aside as
            damaged instead of refused.
        damaged: the inode of a file that was found damaged while it was written.

    Raises:
        JournalError: the file can't be used as a journal.
        sqlite3.Error: the file can't be read or written.
        TimeoutError: another program is opening or closing the file.
    """

    def __init__(
        self,
        path: Path,
        *,
        utc_s: float,
        replace_empty: bool = False,
        exclusive: bool = False,
        damaged: tuple[int, int] | None = None,
    ) -> None:
        self._path = path
        self.aside: Path | None = None
        """The new path of a damaged file that was at `path` before."""
        self.lost = 0
        """Commits in the write-ahead log that SQLite could not recover."""
        with locked_folder(path, LONGEST_BUSY_S):
            if (damaged is not None and inode(path) == damaged) or _is_destroyed(
                path, exclusive, replace_empty
            ):
                self._set_aside(utc_s)
            try:
                self._open(replace_empty=replace_empty)
            except sqlite3.DatabaseError as error:
                if code(error) not in DAMAGE_CODES or not (exclusive or was_journal(path)):
                    raise
                self._set_aside(utc_s)
                self._open(replace_empty=replace_empty)
            if self.aside is not None:
                recover_numbers(self.aside, self.connection)

    def _open(self, *, replace_empty: bool) -> None:
        path = self._path
        check_kind(path)
        if replace_empty:
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
            path.resolve(), timeout=LONGEST_BUSY_S, isolation_level=None, check_same_thread=False
        )
        try:
            prepare(self.connection, path, before_writing=lambda: self._count_lost(stated))
            # SQLite truncates a larger log to this size when it starts to overwrite it.
            self.connection.execute(f"PRAGMA journal_size_limit = {LARGE_LOG_BYTES}")
            self._guard = _guard(path)
        except BaseException:
            self.connection.close()
            raise
        self.inode = inode(path)

    def _count_lost(self, stated: LogExtent | None) -> None:
        """Count the commits of the log that SQLite could not recover, and empty such a log.

        Otherwise they would be counted again the next time. While another program has the journal
        open, the log is whole as soon as a commit in progress has ended: hence the second attempt.
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
        """Whether this file is still the one at its path."""
        return inode(self._path) == self.inode

    def check_place(self) -> None:
        """Check that this file is the one at its path, and still a database.

        Raises:
            FileNotFoundError: the file was moved, deleted or overwritten.
            OSError: the path can't be read.
        """
        if not self.in_place:
            raise FileNotFoundError("it was moved or deleted, and is begun anew")
        if not is_database(self._path):
            raise FileNotFoundError("something else has written over it")

    def sync(self) -> int:
        """Force all written events to the disk; return the bytes of a log that can't be emptied.

        A log can't be emptied while another program has a read transaction open; else 0.
        """
        _, pages, taken_over = self.connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        if taken_over == pages:
            return 0
        log = log_path(self._path, "-wal")
        return log.stat().st_size if log.exists() else 0

    def close(self, *, leave: bool = False) -> None:
        """Close the file; with `leave` another file is at its path, and is not touched."""
        if leave or not self.in_place:
            if not self.in_place:  # moved away, and its log was not: copy the log into it
                with suppress(sqlite3.Error):
                    self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            closing = self.connection, self._guard
        else:
            closing = self._guard, self.connection
        for connection in closing:
            with suppress(sqlite3.Error):
                connection.close()


def _is_destroyed(path: Path, exclusive: bool, replace_empty: bool) -> bool:
    """Return whether the file at `path`, not yet opened, is a journal that was destroyed."""
    if not path.is_file():
        return False
    if path.stat().st_size == 0:  # SQLite would discard the log
        log = log_path(path, "-wal")
        return not replace_empty and log.exists() and log.stat().st_size > 0
    if not os.access(path, os.R_OK) or path.stat().st_size == TINY_BYTES or is_database(path):
        return False
    return exclusive or was_journal(path)


def _guard(path: Path) -> sqlite3.Connection:
    guard = sqlite3.connect(uri(path), uri=True, timeout=LONGEST_BUSY_S, check_same_thread=False)
    try:
        guard.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except BaseException:
        guard.close()
        raise
    return guard
