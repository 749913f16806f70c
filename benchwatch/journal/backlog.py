"""The backlog of events that could not be written to the journal's file.

They wait in memory; those that still wait at the end are written to another file.
"""

import os
import sqlite3
import tempfile
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Final

from benchwatch.errors import JournalError
from benchwatch.journal.schema import Row, event_row, prepare
from benchwatch.reading import Entry, Gap, Note

REST_FILE_NAME: Final = "{stem}-left-{key}.db"
"""Name of the file that the rest of the backlog is written to."""
LATER_PARTS: Final = "later_parts"
"""Table of such a file: its runs of which another file has the events up to a number."""


class Backlog:
    """Holds the newest events; dropped older events of a run become one gap.

    Args:
        limit: largest number of events held.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._waiting: deque[tuple[int, int, Entry]] = deque()
        self._dropped: dict[int, _Dropped] = {}
        self._events = 0
        self._after: dict[int, int] = {}
        """By run: the number of its newest event that does not wait, 0 without one."""

    def __len__(self) -> int:
        """Return the number of events added, held or dropped, without notes."""
        return self._events

    def add(self, run: int, number: int, event: Entry, after: int = 0) -> None:
        """Add an event; beyond the limit the oldest is dropped.

        Args:
            run: its key.
            number: of the event.
            event: the event.
            after: number of the event of this run before it, 0 without one.
        """
        self._after.setdefault(run, after)
        self._events += not isinstance(event, Note)
        self._waiting.append((run, number, event))
        if len(self._waiting) > self._limit:
            key, oldest, dropped = self._waiting.popleft()
            self._dropped.setdefault(key, _Dropped(oldest, dropped)).add(dropped)

    def rows(self) -> Iterator[Row]:
        """Yield the rows to write, gaps first."""
        for run, dropped in self._dropped.items():
            yield event_row(run, dropped.number, dropped.gap())
        for run, number, event in self._waiting:
            yield event_row(run, number, event)

    def write_places(self, connection: sqlite3.Connection) -> None:
        """Note in the file that gets the backlog alone from where on it has each run."""
        connection.execute(
            f"CREATE TABLE {LATER_PARTS} (run INTEGER PRIMARY KEY, after INTEGER NOT NULL)"
        )
        places = [(run, after) for run, after in self._after.items() if after]
        connection.executemany(f"INSERT INTO {LATER_PARTS} VALUES (?, ?)", places)  # noqa: S608 - ours

    def clear(self) -> None:
        """Empty the backlog after it was written."""
        self._after.clear()
        self._waiting.clear()
        self._dropped.clear()
        self._events = 0


class _Dropped:
    """Events of one run that were dropped."""

    def __init__(self, number: int, first: Entry) -> None:
        self.number = number
        self.events = 0
        self._first = self._last = first

    def add(self, event: Entry) -> None:
        self.events += 1
        self._last = event

    def gap(self) -> Gap:
        first, last = self._first, self._last
        return Gap(
            counter=first.counter,
            utc_s=first.utc_s,
            elapsed_s=first.elapsed_s,
            lasted_s=max(0.0, last.elapsed_s - first.elapsed_s),
            reason=(
                f"the journal could not be written: {self.events} readings and notes were not kept"
            ),
        )


def write_elsewhere(
    path: Path, key: int, write: Callable[[sqlite3.Connection], None]
) -> Path | None:
    """Write the events that did not reach the journal at `path` to a new journal.

    Folders are tried in turn: that of the journal, the user's own, and the one for temporary
    files.

    Args:
        path: the journal.
        key: key of a run; part of the new file's name.
        write: writes the events through a connection.

    Returns:
        The path of the new journal; None if no folder had room.
    """
    for folder in folders_to_try(path):
        left = folder / REST_FILE_NAME.format(stem=path.stem, key=key)
        try:
            with closing(sqlite3.connect(left, isolation_level=None)) as connection:
                prepare(connection, left)
                write(connection)
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except (sqlite3.Error, OSError, JournalError):
            for half in (left, *(left.with_name(left.name + end) for end in ("-wal", "-shm"))):
                with suppress(OSError):
                    half.unlink(missing_ok=True)  # an incomplete journal is of no use
        else:
            return left
    return None


def folders_to_try(path: Path) -> Iterator[Path]:
    """Yield folders in which what can't be written to the file at `path` may have room."""
    from platformdirs import user_data_path, user_state_path  # noqa: PLC0415 - hardly ever needed

    yield path.absolute().parent
    for place in (user_data_path, user_state_path):
        with suppress(OSError):
            folder = place("benchwatch", appauthor=False)
            folder.mkdir(parents=True, exist_ok=True)
            yield folder
    with suppress(RuntimeError):
        yield Path.home()
    with suppress(OSError):
        yield Path(tempfile.gettempdir())
    with suppress(OSError):
        yield Path(os.getcwd())  # noqa: PTH109 - Path.cwd() does the same
