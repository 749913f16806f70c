"""Reads from a journal what is to be sent, while programs write it.

What is read of a range is read in one transaction, so that a batch can claim that it is all. A
program writes the events of a run in the order of their numbers; events that were added later, by
a recovery or a merge, are told by `UnsentEvents.late_events`.

The journal may be moved, deleted or set aside at any time, and another be begun in its place. So
each look begins with `refresh`, which opens the file that is at the path now.
"""

import time
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any, Final

from benchwatch.errors import JournalError
from benchwatch.journal.journal_file import inode
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.journal.late_events import LateEvents, forget_late_events
from benchwatch.journal.resume import is_still_written
from benchwatch.journal.schema import JournalRun
from benchwatch.journal.trim_entries import json_object
from benchwatch.relay.batch import MOST_EVENTS, RunBatch, check_run
from benchwatch.relay.cell_checks import LARGEST_INTEGER, separate

WAIT_S: Final = 1.0
"""Longest wait for a program that keeps others from reading the journal."""
MOST_DOCUMENTS: Final = 100
"""Most rows read at once of a table whose rows may be large."""
_WITH_DOCUMENTS: Final = frozenset({"records", "notes"})


class CanNotBeSent(Exception):
    """A run or a chain can't be sent as it stands; the message is a sentence without full stop."""


class UnsentEvents:
    """The runs of the journal at `path`; every method may raise `JournalError`."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._reader: JournalReader | None = None
        self._inode: tuple[int, int] | None = None

    def close(self) -> None:
        """Close the file."""
        if self._reader is not None:
            self._reader.__exit__()
        self._reader = self._inode = None

    def refresh(self) -> None:
        """Open the file that is at the path, if another one is open.

        Raises:
            JournalError: there is none, or it can't be read.
        """
        there = inode(self.path)
        if there is None or there != self._inode:
            self.close()
            if there is None:
                raise JournalError(f"there is no journal ({self.path}).")
            self._reader = JournalReader(self.path, wait_s=WAIT_S, any_text=True)
            self._inode = there

    def earlier_runs(self, own: Collection[int], known: Collection[int | str]) -> list[int]:
        """Return keys of runs that no program writes any more, oldest first.

        Args:
            own: keys of runs that this program writes; they are left out.
            known: keys that were returned before, among others; they are left out too.
        """
        query = "SELECT run, ended_utc_s IS NULL FROM runs ORDER BY started_utc_s, run"
        rows = self._ask(query, ())
        return [
            key
            for key, has_no_end in rows
            if not (key < 0 or key in own or key in known)
            and not (has_no_end and self._is_still_written(key))
        ]

    def batch(self, key: int, after: int) -> tuple[RunBatch, bool] | None:
        """Return the next events of a run, at most `MOST_EVENTS`, without any if there are none.

        Args:
            key: of the run.
            after: the events have larger numbers.

        Returns:
            The batch, and whether there may be more events after it; None: the journal does not
            have the run.

        Raises:
            CanNotBeSent: the row of the run is damaged, or events before these are elsewhere.
        """
        reader = self._opened()
        with reader.at_one_moment():
            run = self._run(reader, key)
            if run is None:
                return None
            begins_after = reader.begins_after(key)
            found = {
                table: self._rows_after(table, reader.event_columns[table], key, after)
                for table in self._tables_with_more(key, after)
            }
        to, rows = _first_events(found, after)
        if after < begins_after and to > after:
            raise CanNotBeSent(
                f"{self.path} has of run {key} only what comes after event {begins_after}, and the "
                f"central record has it up to {after}: send the journal first that has the rest"
            )
        good: dict[str, list[Any]] = {}
        left_out: dict[int, str] = {}
        for table, some in rows.items():
            good[table], bad = separate(table, some)
            left_out |= dict(bad)
        batch = RunBatch(run, after, to, **good, left_out=sorted(left_out.items()))
        has_more = any(
            may_have_more or len(some) > len(rows[table])
            for table, (some, may_have_more) in found.items()
        )
        return batch, has_more

    def count(self, key: int, after: int) -> tuple[int, float | None]:
        """Return how many events of a run have numbers above `after`, and when the first was.

        Returns:
            The number, and the time of the first such reading in Unix seconds; None: there is none.
        """
        each = (
            f"(SELECT count(*) FROM {table} WHERE run = ?1 AND number > ?2)"  # noqa: S608 - ours
            for table in self._opened().event_columns
        )
        ((count,),) = self._ask(f"SELECT {' + '.join(each)}", (key, after))
        first = self._ask(
            "SELECT utc_s FROM readings WHERE run = ? AND number > ? ORDER BY number LIMIT 1",
            (key, after),
        )
        utc_s = float(first[0][0]) if first and type(first[0][0]) in {int, float} else None
        return int(count), utc_s

    def late_events(self) -> Mapping[int, LateEvents]:
        """Return the runs to which events were added that may lie in ranges sent before."""
        return self._opened().late_events()

    def forget_late_events(self, key: int, known: LateEvents) -> None:
        """Remove the note on late events of a run, which were sent; not if more came since."""
        forget_late_events(self.path, key, known)

    def _opened(self) -> JournalReader:
        if self._reader is None:
            self.refresh()
        assert self._reader is not None
        return self._reader

    def _ask(self, query: str, values: tuple[object, ...]) -> list[tuple[Any, ...]]:
        return self._opened().ask(query, values)

    def _tables_with_more(self, key: int, after: int) -> list[str]:
        """Return the tables with events of a run after a number, by one question for all."""
        tables = list(self._opened().event_columns)
        each = (
            f"EXISTS (SELECT 1 FROM {table} WHERE run = ?1 AND number > ?2)"  # noqa: S608 - ours
            for table in tables
        )
        (found,) = self._ask(f"SELECT {', '.join(each)}", (key, after))
        return [table for table, has_more in zip(tables, found, strict=True) if has_more]

    def _rows_after(
        self, table: str, columns: str, key: int, after: int
    ) -> tuple[list[tuple[Any, ...]], bool]:
        """Return the next rows of a table, and whether there may be more."""
        most = MOST_DOCUMENTS if table in _WITH_DOCUMENTS else MOST_EVENTS
        query = (
            f"SELECT {columns} FROM {table} WHERE run = ? AND number > ? AND number <= ?"  # noqa: S608 - ours
            " ORDER BY number LIMIT ?"
        )
        rows = self._ask(query, (key, after, LARGEST_INTEGER, most))
        return rows, len(rows) == most

    def _run(self, reader: JournalReader, key: int) -> JournalRun | None:
        try:
            run = reader.run(key)
        except JournalError as error:
            reader.ask("SELECT 1 FROM runs LIMIT 1")  # the journal itself can be read
            raise CanNotBeSent(str(error).rstrip(".")) from error
        why = None if run is None else check_run(run)
        if why is not None:
            raise CanNotBeSent(f"run {key} of the journal {why} ({self.path})")
        return run

    def _is_still_written(self, key: int) -> bool:
        try:
            run = self._opened().run(key)
        except JournalError:
            return False  # it is reported when it is read to be sent
        if run is None:
            return True
        last_s = self._opened().last_reading_utc_s(run) or run.started_utc_s
        silent_s = abs(time.time() - last_s)
        return is_still_written(run, json_object(run.settings), silent_s)


def _first_events(
    found: Mapping[str, tuple[list[tuple[Any, ...]], bool]], after: int
) -> tuple[int, dict[str, list[tuple[Any, ...]]]]:
    """Return up to which number all events are known and few enough, and those up to there.

    Args:
        found: by table, the rows after the number `after` in the order of their numbers, and
            whether there may be more of them.
        after: the number before all.
    """
    known_to = min(
        (rows[-1][0] for rows, has_more in found.values() if has_more), default=LARGEST_INTEGER
    )
    numbers = sorted(row[0] for rows, _ in found.values() for row in rows if row[0] <= known_to)
    to = int(numbers[:MOST_EVENTS][-1]) if numbers else after
    return to, {table: [row for row in rows if row[0] <= to] for table, (rows, _) in found.items()}
