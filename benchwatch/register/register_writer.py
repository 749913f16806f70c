"""Writes entries of a running watch to the register, and keeps those that can't be written yet.

The register's disk may be full, the file damaged, read-only or of a newer version: then entries
wait in memory in their order, a sentence says why, and the watch goes on; its journal has the same
records and notes.
"""

import threading
from collections import deque
from typing import Final

from benchwatch.clock import Clock, SystemClock
from benchwatch.errors import RegisterError
from benchwatch.register.left_over import MakeDrafts, TakeEntries, write_left_over
from benchwatch.register.register_file import RegisterFile

RETRY_S: Final = 1.0
"""Time between two attempts to write what waits."""


class RegisterWriter:
    """Adds entries of all counters of a watch; every method may be called from any thread.

    Args:
        register: the file.
        clock: times the attempts.
    """

    def __init__(self, register: RegisterFile, clock: Clock | None = None) -> None:
        self.register = register
        self.notices: list[str] = []
        """Sentences about what happened to the file; the list only grows."""
        self.trouble: str | None = None
        """Why entries wait in memory; None while they reach the file."""
        self._clock = clock or SystemClock()
        self._lock = threading.RLock()
        self._waiting: deque[tuple[MakeDrafts, TakeEntries]] = deque()
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None

    def add(self, make: MakeDrafts, take: TakeEntries) -> None:
        """Add the entries that `make` returns in one transaction, after all that wait.

        Args:
            make: makes the drafts when they are written; it is called again if that fails.
            take: gets the entries as they were written.
        """
        self._waiting.append((make, take))
        # An attempt that is going on may wait for the disk: what is added then waits for it, and
        # the thread that reads the counter does not.
        if self._lock.acquire(blocking=self.trouble is None):
            try:
                if self.trouble is None:
                    self._write_waiting()
            finally:
                self._lock.release()

    @property
    def waiting(self) -> int:
        """How many transactions wait in memory."""
        return len(self._waiting)

    def close(self) -> str:
        """Try once more to write what waits; return a sentence on what is not in the file.

        What still waits is written to a file of its own, if there is room anywhere.
        """
        self._ended.set()
        with self._lock:
            self._write_waiting()
            if not self._waiting:
                return ""
            left = write_left_over(self.register, self._waiting, self._clock)
            if left is None:
                return (
                    f"{self.trouble} Entries of this watch are neither in it nor anywhere else, "
                    f"as there was no room: {len(self._waiting)}. The journal has its records and "
                    "notes."
                )
            self._waiting.clear()
            path, entries = left
            return (
                f"{self.trouble} {entries} of the entries of this watch are in {path} instead: "
                f"when that is mended, benchwatch visits merge {path} takes them over."
            )

    def _write_waiting(self) -> None:
        """Write what waits, until an attempt fails; called with the lock held."""
        while self._waiting:
            make, take = self._waiting[0]
            try:
                entries = self.register.add(make())
            except RegisterError as error:
                self._fail(str(error))
                return
            except ValueError as error:  # it can never be written, and would keep back the others
                self._waiting.popleft()
                self.notices.append(f"an entry could not be written to the register: {error}.")
                continue
            self._waiting.popleft()
            take(entries)
        if self.trouble is not None:
            self.trouble = None
            self.notices.append("the register is written again.")

    def _fail(self, why: str) -> None:
        if self.trouble is None:
            self.notices.append(f"{why} Entries wait in memory; the watch goes on.")
        self.trouble = why
        if self._thread is None and not self._ended.is_set():
            self._thread = threading.Thread(target=self._retry, name="register", daemon=True)
            self._thread.start()

    def _retry(self) -> None:
        while not self._clock.wait(self._ended, RETRY_S):
            with self._lock:
                self._write_waiting()
            with self._lock:  # something may have been added meanwhile
                if not self._waiting:
                    self._thread = None
                    return
