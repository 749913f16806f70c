"""Writes the journal: every reading on disk, in SQLite, before it is shown.

One file serves all runs, and several programs at once. Each reading is one transaction, so a
killed program loses at most the reading in progress; the loss by a power cut is bounded by
`SYNC_S`. While the file can't be written (locked, disk full, gone), events wait in a bounded
backlog and the run continues; every event has a number, so that writing it twice does no harm.
When the file is moved or deleted, a new one is made with all current runs. Events that still
wait at the end are written to another file.
"""

import contextlib
import math
import secrets
import sqlite3
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from benchwatch.clock import Clock, SystemClock
from benchwatch.errors import JournalError
from benchwatch.journal.backlog import Backlog, write_elsewhere
from benchwatch.journal.damaged_file import DAMAGE_CODES, BackgroundRecovery, DamageCheck, damage
from benchwatch.journal.journal_file import check_name, locked_folder
from benchwatch.journal.open_file import LARGE_LOG_BYTES, OpenFile
from benchwatch.journal.run_numbers import keep_counts, number_of
from benchwatch.journal.schema import (
    JournalRun,
    copy_events,
    count_events,
    event_row,
    write_run,
)
from benchwatch.journal.sqlite_errors import GO_ELSEWHERE, code, sentence
from benchwatch.reading import Entry

BACKLOG_EVENTS: Final = 100_000
"""Most events kept in memory while the file can't be written; then the oldest are dropped."""
RETRY_S: Final = 1.0
SYNC_S: Final = 5.0
"""How often all written events are forced to the disk, and not only passed to the system: a power
cut loses at most so many seconds."""
CLOSE_WAIT_S: Final = 1.0
"""Longest wait, on closing, for another program that opens or closes the journal, and for counting
the readings of the runs."""
THREAD_STOP_S: Final = 1.0
"""Longest wait, on closing, for the threads that check the file and recover a damaged one."""

_TRANSIENT: Final = frozenset({sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_FULL})


def new_key(utc_s: float) -> int:
    """Return a unique key for a run that starts at `utc_s` (Unix seconds); keys sort by time."""
    return (int(utc_s * 1000) << 20) | secrets.randbits(20)


class Journal:
    """An open journal; every method may be called from any thread.

    Args:
        path: the file; made when missing.
        clock: times retries and syncs.
        backlog: how many events may wait in memory.
        exclusive: `path` is the default path, where no other program writes files.

    Raises:
        JournalError: the file can't be used as a journal. A file that is locked, or whose disk
            is full, is accepted: `trouble` gives the reason, and events wait.
    """

    def __init__(
        self,
        path: Path,
        *,
        clock: Clock | None = None,
        backlog: int = BACKLOG_EVENTS,
        exclusive: bool = False,
    ) -> None:
        self.path = path
        self.notices: list[str] = []
        """Sentences about what happened to the file; the list only grows."""
        self.trouble: str | None = None
        """Why events wait in memory; None while they reach the file."""
        self._clock = clock or SystemClock()
        self._lock = threading.Lock()
        self._backlog = Backlog(backlog)
        self._number = 0
        self._last: dict[int, int] = {}
        """Number of the newest event of each run."""
        self._runs: dict[int, JournalRun] = {}
        self._run_numbers: dict[int, int] = {}
        """Numbers of the runs, by key; a run keeps its number in another file."""
        self._file: OpenFile | None = None
        self._moved: OpenFile | None = None
        """The file that is no longer at `path`, until its runs are copied to the new one."""
        self._events_in_moved = 0
        """How many events are in the moved file."""
        self._exclusive = exclusive
        self._damaged: tuple[int, int] | None = None
        """The inode of a file that was found damaged while it was written."""
        self._recovery: BackgroundRecovery | None = None
        self._check: DamageCheck | None = None
        self._log_grows = False
        self._next_try_s = 0.0
        self._next_sync_s = self._clock.monotonic() + SYNC_S
        check_name(path)
        try:
            self._open()
        except sqlite3.Error as error:
            if code(error) not in _TRANSIENT:
                raise JournalError(f"{sentence(path, error)}. {GO_ELSEWHERE}") from error
            self._fail(error)
        except TimeoutError as error:
            self._fail(error)

    @property
    def not_on_disk(self) -> int:
        """How many readings and notes are not in the file at `path` yet."""
        return 0 if self.trouble is None else self._events_in_moved + len(self._backlog)

    @property
    def own_runs(self) -> tuple[int, ...]:
        """Keys of the runs that this program writes, oldest first."""
        return tuple(self._runs)

    def save_run(self, run: JournalRun) -> None:
        """Write `run`, in place of its earlier version."""
        with self._lock:
            self._runs[run.key] = run
            if self._file is None or self.trouble:
                self._retry()
                return
            try:
                self._file.connection.execute("BEGIN IMMEDIATE")
                self._write_runs(self._file.connection, [run])
                self._file.connection.execute("COMMIT")
            except sqlite3.Error as error:
                self._roll_back()
                self._fail(error)

    def write(self, run: int, event: Entry) -> int:
        """Write `event` of the run with key `run`; on return it is in the file or the backlog.

        Returns:
            The number of the event; numbers rise, and all runs of the program share them.
        """
        with self._lock:
            self._number += 1
            number = self._number
            before, self._last[run] = self._last.get(run, 0), number
            if self._file is None or self.trouble:
                self._backlog.add(run, number, event, before)
                self._retry()
                return number
            try:
                self._file.connection.execute(*event_row(run, number, event))
            except sqlite3.Error as error:
                self._backlog.add(run, number, event, before)
                self._fail(error)
                return number
            try:
                if self._clock.monotonic() >= self._next_sync_s:
                    self._sync()
            except (sqlite3.Error, OSError) as error:
                self._fail(error)
            return number

    def close(self) -> None:
        """Write the backlog, and close the file.

        Raises:
            JournalError: part of the backlog could not be written; the message says how much,
                and to which other file it was written, if any.
        """
        with self._lock:
            try:
                self._check_place()
            except OSError as error:
                self._fail(error)
            self._next_try_s = 0.0
            if self.trouble:
                self._retry()
            trouble, left = self.trouble, self.not_on_disk
            for thread in (self._recovery, self._check):
                if thread is not None:
                    thread.stop(THREAD_STOP_S)
            if self._file is not None and not trouble:
                with contextlib.suppress(sqlite3.Error):  # without the counts nothing is lost
                    keep_counts(self._file.connection, self._runs, CLOSE_WAIT_S)
            there = left and write_elsewhere(
                self.path, min(self._runs, default=0), self._write_rest
            )
            with contextlib.suppress(TimeoutError), locked_folder(self.path, CLOSE_WAIT_S):
                self._close_files()
            self._close_files()
        if left or trouble:
            lost = ", nor anywhere else: there was no room" if left else ""
            kept = f", but in {there}" if there else lost
            raise JournalError(f"{trouble}: {left} readings and notes are not in it{kept}.")

    # All methods below are called with the lock held.

    def _open(self) -> None:
        self._file = OpenFile(
            self.path,
            utc_s=self._clock.utc(),
            replace_empty=self._moved is not None,
            exclusive=self._exclusive,
            damaged=self._damaged,
        )
        self._damaged = None
        if self._file.lost:
            self.notices.append(
                f"the log beside the journal was damaged ({self.path}-wal): the last "
                f"{self._file.lost} readings and notes in it can't be read, and are lost where "
                "they were not in the journal itself yet."
            )
        if self._check is None and self._file.aside is None:
            self._check = DamageCheck(self.path, self._sync_soon)
        if self._file.aside is not None:
            self.notices.append(
                f"the journal was damaged: it is kept as {self._file.aside}, a new one was begun, "
                "and what can be read of the old one is carried over."
            )
            if self._recovery is not None:
                self._recovery.stop(THREAD_STOP_S)
            self._recovery = BackgroundRecovery(self._file.aside, self.path, self.notices.append)

    def _sync_soon(self) -> None:
        self._next_sync_s = -math.inf

    def _sync(self) -> None:
        """Force all written events to the disk, and check that the file is still at its path."""
        self._next_sync_s = self._clock.monotonic() + SYNC_S
        self._check_place()
        assert self._file is not None
        if self._check is not None and self._check.damaged == self._file.inode:
            raise damage()
        kept = self._file.sync()
        if kept >= LARGE_LOG_BYTES and not self._log_grows:
            self._log_grows = True
            self.notices.append(
                f"another program reads the journal and keeps the log beside it from being "
                f"emptied, which is {kept / 1e6:.0f} MB by now and grows ({self.path}-wal). Let "
                "it end what it does with the journal."
            )
        elif kept == 0 and self._log_grows:
            self._log_grows = False
            self.notices.append("the log beside the journal is emptied again.")

    def _check_place(self) -> None:
        """Check that the open file is the one at `path`; if not, keep it as `_moved` and raise."""
        if self._file is None:
            return
        try:
            self._file.check_place()
        except FileNotFoundError:
            if self._moved is None:
                self._moved, self._file = self._file, None
                self._events_in_moved = count_events(self._moved.connection, self._runs)
            raise

    def _fail(self, error: Exception) -> None:
        ours = isinstance(error, JournalError)
        self.trouble = str(error).rstrip(".") if ours else sentence(self.path, error)
        self._next_try_s = self._clock.monotonic() + RETRY_S
        transient = isinstance(error, sqlite3.Error) and code(error) in _TRANSIENT
        if (
            self._file is not None
            and isinstance(error, sqlite3.Error)
            and code(error) in DAMAGE_CODES
        ):
            self._damaged = self._file.inode
        if self._file is not None and not transient:
            self._file.close()
            self._file = None

    def _retry(self) -> None:
        """Write the backlog in one transaction, if the next attempt is due."""
        if self._clock.monotonic() < self._next_try_s:
            return
        try:
            if self._file is None:
                self._open()
            assert self._file is not None
            self._write_waiting(self._file.connection)
        except (sqlite3.Error, OSError, JournalError) as error:
            self._roll_back()
            self._fail(error)
        else:
            self._backlog.clear()
            self.trouble = None
            if self._moved is not None:
                self._moved.close(leave=True)
                self._moved, self._events_in_moved = None, 0

    def _roll_back(self) -> None:
        """Undo the open transaction, if any."""
        if self._file is not None and self._file.connection.in_transaction:
            with contextlib.suppress(sqlite3.Error):
                self._file.connection.execute("ROLLBACK")

    def _write_runs(self, connection: sqlite3.Connection, runs: Iterable[JournalRun]) -> None:
        """Write runs in the open transaction, each under the number it has had before, if any."""
        for run in runs:
            write_run(connection, run, self._run_numbers.get(run.key))
            if run.key not in self._run_numbers:
                number = number_of(connection, run.key)
                if number is not None:
                    self._run_numbers[run.key] = number

    def _write_waiting(self, connection: sqlite3.Connection) -> None:
        """Write all runs, events of a moved file and the backlog, in one transaction."""
        connection.execute("BEGIN IMMEDIATE")
        self._write_runs(connection, self._runs.values())
        if self._moved is not None:
            copy_events(self._moved.connection, connection, self._runs)
        for row in self._backlog.rows():
            connection.execute(*row)
        connection.execute("COMMIT")

    def _write_rest(self, connection: sqlite3.Connection) -> None:
        """Write what waits to another file than that which has the events before it."""
        self._write_waiting(connection)
        if self._moved is None:
            self._backlog.write_places(connection)

    def _close_files(self) -> None:
        if self._moved is not None:
            self._moved.close(leave=True)
        if self._file is not None:
            self._file.close()
        self._file = self._moved = None
