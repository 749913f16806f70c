"""The journal: every reading on disk, in SQLite, before anybody sees it.

One file serves all runs, and several programs at once. Each reading is a transaction of
its own, so a killed program loses at most the reading in flight; what a power cut can cost
is bounded by `SYNC_S`. While the file can't be written (locked, disk full, gone) events
wait in a bounded queue and the run goes on; every event carries a number that makes
writing it twice harmless.
"""

import contextlib
import secrets
import sqlite3
import threading
from collections import deque
from pathlib import Path
from typing import Final

from benchwatch.clock import Clock, SystemClock
from benchwatch.errors import JournalError
from benchwatch.journal_file import (
    GO_ELSEWHERE,
    Run,
    check_kind,
    code,
    event_row,
    prepare,
    run_row,
    sentence,
)
from benchwatch.reading import Event, Gap

BACKLOG: Final = 100_000
"""Events kept in memory while the file can't be written; beyond that the oldest go first."""
RETRY_S: Final = 1.0
SYNC_S: Final = 5.0
"""So often, with the next event, all so far is forced to the disk, not only handed to the
system: the most that a power cut can cost."""
BUSY_S: Final = 0.1
"""Longest wait for another program's transaction, on the thread that reads the counter."""

_PASSING: Final = frozenset({sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_FULL})


def default_path() -> Path:
    """Return where the journal lives unless told otherwise, making its folder.

    Raises:
        JournalError: the folder can't be made.
    """
    from platformdirs import user_data_path  # noqa: PLC0415 - only a run without --journal needs it

    path = user_data_path("benchwatch", appauthor=False) / "journal.db"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise JournalError(
            f"the folder {path.parent} for the journal can't be made: {error.strerror}. "
            f"{GO_ELSEWHERE}"
        ) from error
    return path


def new_key(utc_s: float) -> int:
    """Return a key for a run that no other program will choose; keys sort by time."""
    return (int(utc_s * 1000) << 20) | secrets.randbits(20)


class Journal:
    """An open journal; every method may be called from any thread.

    Args:
        path: the file; made when missing.
        clock: paces retries and syncs.
        backlog: how many events may wait in memory.

    Raises:
        JournalError: the file can't serve as a journal. One that is locked, or whose disk
            is full just now, is accepted: `trouble` says so, and events wait.
    """

    def __init__(self, path: Path, *, clock: Clock | None = None, backlog: int = BACKLOG) -> None:
        self.path = path
        self.trouble: str | None = None
        """Why events wait in memory; None while they reach the file."""
        self._clock = clock or SystemClock()
        self._lock = threading.Lock()
        self._backlog = backlog
        self._number = 0
        self._runs: dict[int, Run] = {}
        self._waiting: deque[tuple[int, int, Event]] = deque()
        self._dropped: dict[int, _Dropped] = {}
        self._connection: sqlite3.Connection | None = None
        self._inode: tuple[int, int] | None = None
        self._next_try_s = 0.0
        self._next_sync_s = self._clock.monotonic() + SYNC_S
        try:
            self._open()
        except sqlite3.Error as error:
            if code(error) not in _PASSING:
                self._drop_connection()
                raise JournalError(f"{sentence(path, error)}. {GO_ELSEWHERE}") from error
            self._fail(error)
        except JournalError:
            self._drop_connection()
            raise

    def save_run(self, run: Run) -> None:
        """Write what is known of `run`, replacing what was known before."""
        with self._lock:
            self._runs[run.key] = run
            if self._connection is None or self.trouble:
                self._retry()
                return
            try:
                self._connection.execute(*run_row(run))
            except sqlite3.Error as error:
                self._fail(error)

    def write(self, run: int, event: Event) -> None:
        """Put `event` of the run with key `run` on disk; returns once it is there, or waits."""
        with self._lock:
            self._number += 1
            if self._connection is None or self.trouble:
                self._keep(run, self._number, event)
                self._retry()
                return
            try:
                self._connection.execute(*event_row(run, self._number, event))
                if self._clock.monotonic() >= self._next_sync_s:
                    self._sync()
            except (sqlite3.Error, OSError) as error:
                self._keep(run, self._number, event)
                self._fail(error)

    def close(self) -> None:
        """Write what still waits, and close.

        Raises:
            JournalError: some of it could not be written; the message says how much.
        """
        with self._lock:
            self._next_try_s = 0.0
            if self.trouble:
                self._retry()
            left = len(self._waiting) + sum(lost.events for lost in self._dropped.values())
            trouble = self.trouble
            self._drop_connection()
        if left or trouble:
            raise JournalError(f"{trouble}: {left} readings and notes are not in it.")

    # The lock is held in all that follows.

    def _open(self) -> None:
        check_kind(self.path)
        self._connection = sqlite3.connect(
            self.path, timeout=BUSY_S, isolation_level=None, check_same_thread=False
        )
        prepare(self._connection, self.path)
        self._inode = _inode(self.path)

    def _sync(self) -> None:
        """Force what was written to the disk, and see that the file is still there."""
        assert self._connection is not None
        self._next_sync_s = self._clock.monotonic() + SYNC_S
        if _inode(self.path) != self._inode:
            raise FileNotFoundError("it was moved or deleted, and is begun anew")
        self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")

    def _fail(self, error: Exception) -> None:
        self.trouble = sentence(self.path, error)
        self._next_try_s = self._clock.monotonic() + RETRY_S
        if not isinstance(error, sqlite3.Error) or code(error) not in _PASSING:
            self._drop_connection()

    def _retry(self) -> None:
        """When it is time, write all that waits in one transaction."""
        if self._clock.monotonic() < self._next_try_s:
            return
        try:
            if self._connection is None:
                self._open()
            assert self._connection is not None
            self._connection.execute("BEGIN IMMEDIATE")
            for run in self._runs.values():
                self._connection.execute(*run_row(run))
            for key, lost in self._dropped.items():
                self._connection.execute(*event_row(key, lost.number, lost.gap()))
            for key, number, event in self._waiting:
                self._connection.execute(*event_row(key, number, event))
            self._connection.execute("COMMIT")
        except (sqlite3.Error, OSError, JournalError) as error:
            if self._connection is not None and self._connection.in_transaction:
                with contextlib.suppress(sqlite3.Error):
                    self._connection.execute("ROLLBACK")
            self._fail(error)
        else:
            self._waiting.clear()
            self._dropped.clear()
            self.trouble = None

    def _keep(self, run: int, number: int, event: Event) -> None:
        self._waiting.append((run, number, event))
        if len(self._waiting) > self._backlog:
            key, oldest, victim = self._waiting.popleft()
            self._dropped.setdefault(key, _Dropped(oldest, victim)).add(victim)

    def _drop_connection(self) -> None:
        if self._connection is not None:
            with contextlib.suppress(sqlite3.Error):
                self._connection.close()
        self._connection = None


def _inode(path: Path) -> tuple[int, int] | None:
    """Return what tells the file at `path` from another one put in its place."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


class _Dropped:
    """A stretch of events that the queue had no room for."""

    def __init__(self, number: int, first: Event) -> None:
        self.number = number
        self.events = 0
        self._first = self._last = first

    def add(self, event: Event) -> None:
        self.events += 1
        self._last = event

    def gap(self) -> Gap:
        first, last = self._first, self._last
        return Gap(
            first.counter,
            first.utc_s,
            first.elapsed_s,
            max(0.0, last.elapsed_s - first.elapsed_s),
            f"the journal could not be written: {self.events} readings and notes were not kept",
        )
