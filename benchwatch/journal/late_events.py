"""Notes in a journal which runs got earlier events added, so that these can be sent once more.

A program that sends a journal elsewhere goes by the numbers of events, and would never look again
at those it has sent up to. A recovery and a merge add such events. The table is made when it is
first needed; programs that do not know it leave it alone.
"""

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

TABLE: Final = "late_events"
_MAKE: Final = f"""
    CREATE TABLE IF NOT EXISTS {TABLE} (
        run INTEGER PRIMARY KEY, first INTEGER NOT NULL, changes INTEGER NOT NULL)"""
FORGET_WAIT_S: Final = 0.1
"""Longest wait for another program that writes the journal; the note can be removed later too."""


@dataclass(frozen=True, slots=True)
class LateEvents:
    """What was added to one run."""

    first: int
    """Lowest number of an event that was added."""
    changes: int
    """How often events were added; it grows while a recovery goes on."""


def note_late_events(connection: sqlite3.Connection, lowest: Mapping[int, int]) -> None:
    """Note, in the open transaction, the lowest number of the events added to each run."""
    if not lowest:
        return
    connection.execute(_MAKE)
    connection.executemany(
        f"INSERT INTO {TABLE} VALUES (?, ?, 1) ON CONFLICT (run) DO UPDATE SET "  # noqa: S608 - ours
        "first = min(first, excluded.first), changes = changes + 1",
        lowest.items(),
    )


def forget_late_events(path: Path, run: int, known: LateEvents) -> bool:
    """Remove the note on a run if nothing was added since it was read; return whether it is gone.

    A journal that can't be written keeps it.
    """
    try:
        with closing(
            sqlite3.connect(path.resolve(), timeout=FORGET_WAIT_S, isolation_level=None)
        ) as connection:
            query = f"DELETE FROM {TABLE} WHERE run = ? AND changes = ?"  # noqa: S608 - ours
            return connection.execute(query, (run, known.changes)).rowcount > 0
    except sqlite3.Error:
        return False
