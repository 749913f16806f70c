"""The journal of a simulated station, on a disk that can be full."""

import contextlib
import sqlite3
from pathlib import Path

from benchwatch.clock import Clock
from benchwatch.journal import Journal


class StationJournal(Journal):
    """A journal whose file can be kept from growing, as on a full disk.

    What fits into the pages that the file has is still written, as on a real disk.
    """

    def __init__(self, path: Path, *, clock: Clock) -> None:
        self._is_full = False
        super().__init__(path, clock=clock)

    def set_full(self, *, full: bool) -> None:
        """Let the file grow no more, or let it grow again."""
        with self._lock:
            self._is_full = full
            self._limit()

    def _open(self) -> None:
        super()._open()
        self._limit()

    def _limit(self) -> None:
        """Tell SQLite the most pages of the file: those that it has, or as many as it can have.

        PRAGMA max_page_count never makes the limit smaller than the file (sqlite.org, pragma.html).
        """
        if self._file is not None:
            most = 1 if self._is_full else 2**32 - 2
            with contextlib.suppress(sqlite3.Error):  # the next write tells what is wrong
                self._file.connection.execute(f"PRAGMA max_page_count = {most}")
