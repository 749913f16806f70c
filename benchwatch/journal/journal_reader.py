"""Reads the runs of a journal, and their events in the order of writing.

A watch may write the file at the same time. So rows are read in portions, each by a short query:
during one long query SQLite can't empty the log beside the journal, which would grow as long as
the query lasts.
"""

import math
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Final, Self

from benchwatch.errors import JournalError
from benchwatch.journal.backlog import LATER_PARTS
from benchwatch.journal.journal_file import check_kind
from benchwatch.journal.late_events import TABLE as LATE_TABLE
from benchwatch.journal.late_events import LateEvents
from benchwatch.journal.row_checks import OTHER_COLUMNS, READING_COLUMNS, RUN_COLUMNS, RowChecks
from benchwatch.journal.run_numbers import LARGEST_NUMBER
from benchwatch.journal.schema import JournalRun, check_owner
from benchwatch.journal.sqlite_errors import sentence
from benchwatch.reading import FLAGS, Flag

PORTION_READINGS: Final = 5000
"""Readings read by one query."""

_LAST_NUMBER: Final = 2**63 - 1
_LATER_TABLES: Final = frozenset({"records", "notes"})
"""Tables that early journals do not have."""

ReadingRow = tuple[int, float, float, float | None, str, float, str]
"""Number, Unix seconds, elapsed seconds, gate, text, resolution in hertz, flags."""


@dataclass(frozen=True, slots=True)
class Portion:
    """Consecutive events of a run, each kind in the order of writing."""

    readings: list[ReadingRow]
    gaps: list[tuple[int, float, float, float, str]] = field(default_factory=list)
    """Number, Unix seconds, elapsed seconds, how long it lasted, reason."""
    marks: list[tuple[int, float, float, str]] = field(default_factory=list)
    """Number, Unix seconds, elapsed seconds, text."""
    records: list[tuple[int, float, float, str, str]] = field(default_factory=list)
    """Number, Unix seconds, elapsed seconds, kind, document."""
    notes: list[tuple[int, float, float, str, str]] = field(default_factory=list)
    """Number, Unix seconds, elapsed seconds, kind, document."""


class JournalReader:
    """The journal at `path`, open for reading; a context manager.

    Args:
        path: the journal.
        wait_s: longest wait for a program that keeps others from reading it.
        any_text: read text that is not UTF-8 too, with lone surrogates (PEP 383) in it; otherwise
            it is an error.

    Raises:
        JournalError: the file can't be read as a journal; every method may raise it.
    """

    def __init__(self, path: Path, *, wait_s: float = 5.0, any_text: bool = False) -> None:
        check_kind(path)
        self._path = path
        self._checks = RowChecks("the journal", str(path))
        address = f"{path.absolute().as_uri()}?mode=ro"
        try:
            # A replay opens the journal on one thread and continues reading on another.
            self._connection = sqlite3.connect(
                address,
                uri=True,
                timeout=wait_s,
                isolation_level=None,
                check_same_thread=False,
            )
        except sqlite3.Error as error:
            raise JournalError(f"{sentence(path, error)}.") from error
        if any_text:
            self._connection.text_factory = partial(str, encoding="utf-8", errors="surrogateescape")
        try:
            (owner,) = self.ask("PRAGMA application_id")[0]
            (version,) = self.ask("PRAGMA user_version")[0]
            check_owner(path, int(owner), int(version), empty=False)
            names = {name for (name,) in self.ask("SELECT name FROM sqlite_master")}
        except JournalError:
            self._connection.close()
            raise
        self._is_numbered = {"run_numbers", "run_counts"} <= names
        """Whether the file has numbers of runs and counts of readings; early ones have not."""
        self._has_later_parts = LATER_PARTS in names
        self._others = {
            table: columns
            for table, columns in OTHER_COLUMNS.items()
            if table in names or table not in _LATER_TABLES
        }
        self.event_columns = {"readings": READING_COLUMNS, **self._others}
        """The tables of events that this file has, and their columns but the run."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()

    @contextmanager
    def at_one_moment(self) -> Iterator[None]:
        """Let all queries of the block read one state of the file; keep the block short."""
        self.ask("BEGIN")
        try:
            yield
        finally:
            with suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")

    def run(self, key: int) -> JournalRun | None:
        """Return the run with this key, without its number; None: there is none."""
        query = f"SELECT {RUN_COLUMNS} FROM runs WHERE run = ?"  # noqa: S608 - our own words
        rows = self.ask(query, (key,))
        return self._checks.run(rows[0], 0) if rows else None

    def late_events(self) -> dict[int, LateEvents]:
        """Return the runs to which earlier events were added, by key."""
        if not self.ask("SELECT 1 FROM sqlite_master WHERE name = ?", (LATE_TABLE,)):
            return {}
        rows = self.ask(f"SELECT run, first, changes FROM {LATE_TABLE}")  # noqa: S608 - ours
        return {run: LateEvents(first, changes) for run, first, changes in rows}

    def begins_after(self, key: int) -> int:
        """Return after which number this file has the events of a run; 0: it has all of them."""
        if not self._has_later_parts:
            return 0
        rows = self.ask(f"SELECT after FROM {LATER_PARTS} WHERE run = ?", (key,))  # noqa: S608 - ours
        return int(rows[0][0]) if rows else 0

    def runs(self, last: int | None = None) -> list[JournalRun]:
        """Return the runs, oldest first; of many only the `last` ones, if that is given."""
        numbered = ("LEFT JOIN run_numbers USING (run)", "number DESC,")
        join, order = numbered if self._is_numbered else ("", "")
        rows = self.ask(
            f"SELECT {RUN_COLUMNS} FROM runs {join}"  # noqa: S608 - our own words
            f" ORDER BY started_utc_s DESC, {order} run DESC LIMIT ?",
            (-1 if last is None else last,),
        )
        numbers = self._numbers()
        runs = [self._checks.run(row, numbers.get(row[0], 0)) for row in rows]
        return sorted(runs, key=lambda run: (run.started_utc_s, run.number))

    def _numbers(self) -> dict[int, int]:
        """Return the number of each run, by key.

        A run without a number, as in a file of an early version, follows the others, in the order
        of the keys.
        """
        given = self.ask("SELECT run, number FROM run_numbers") if self._is_numbered else []
        numbers = {run: number for run, number in given if type(number) is int}
        missing = "WHERE run NOT IN (SELECT run FROM run_numbers) " if self._is_numbered else ""
        rest = self.ask(f"SELECT run FROM runs {missing}ORDER BY run")  # noqa: S608 - our own words
        first = max(numbers.values(), default=0) + 1
        return numbers | {run: number for number, (run,) in enumerate(rest, start=first)}

    def was_numbered(self, number: int) -> bool:
        """Return whether a run has ever had this number in the file."""
        if not self._is_numbered or number > LARGEST_NUMBER:
            return False
        return bool(self.ask("SELECT 1 FROM run_numbers WHERE number = ?", (number,)))

    def count_readings(self, run: JournalRun) -> int:
        """Count the readings of `run`; those counted when it ended are not read again."""
        counted = (
            self.ask("SELECT last_number, readings FROM run_counts WHERE run = ?", (run.key,))
            if self._is_numbered
            else []
        )
        last, before = counted[0] if counted else (-1, 0)
        (rest,) = self.ask(
            "SELECT count(*) FROM readings WHERE run = ? AND number > ?", (run.key, last)
        )[0]
        return int(before) + int(rest)

    def last_reading_utc_s(self, run: JournalRun) -> float | None:
        """Return the time of the newest reading of `run`, Unix seconds; None: it has none."""
        query = "SELECT utc_s FROM readings WHERE run = ? ORDER BY number DESC LIMIT 1"
        rows = self.ask(query, (run.key,))
        return float(rows[0][0]) if rows and type(rows[0][0]) in {int, float} else None

    def has_readings(self, run: JournalRun) -> bool:
        """Return whether `run` has any readings."""
        return bool(self.ask("SELECT 1 FROM readings WHERE run = ? LIMIT 1", (run.key,)))

    def portions(self, run: JournalRun, *, records: bool = False) -> Iterator[Portion]:
        """Yield the events of `run` in portions; records and notes only if `records` is True."""
        after = -_LAST_NUMBER
        query = (
            f"SELECT {READING_COLUMNS} FROM readings"  # noqa: S608 - our own words
            " WHERE run = ? AND number > ? ORDER BY number LIMIT ?"
        )
        more = True
        while more:
            rows = self.ask(query, (run.key, after, PORTION_READINGS))
            self._checks.rows("readings", rows, run)
            more = len(rows) == PORTION_READINGS
            last = int(rows[-1][0]) if more else _LAST_NUMBER
            found: dict[str, list[Any]] = {"readings": rows}
            for table, columns in self._others.items():
                if records or table not in _LATER_TABLES:
                    found[table] = self.ask(
                        f"SELECT {columns} FROM {table}"  # noqa: S608 - our own words
                        " WHERE run = ? AND number > ? AND number <= ? ORDER BY number",
                        (run.key, after, last),
                    )
                    self._checks.rows(table, found[table], run)
            after = last
            yield Portion(**found)

    def notes(self, run: JournalRun, kind: str) -> list[tuple[int, str]]:
        """Return number and document of the readable notes of one kind, in the order of writing."""
        if "notes" not in self._others:
            return []
        query = "SELECT number, document FROM notes WHERE run = ? AND kind = ? ORDER BY number"
        return [
            (number, document)
            for number, document in self.ask(query, (run.key, kind))
            if type(number) is int and type(document) is str
        ]

    def timed_notes(
        self, run: JournalRun, kinds: Sequence[str], most: int
    ) -> list[tuple[float, str, str]]:
        """Return elapsed seconds, kind and document of the first notes of some kinds, in order.

        A note without a readable time is left out.

        Args:
            run: the run.
            kinds: of the notes.
            most: how many at most.
        """
        if "notes" not in self._others:
            return []
        query = (
            "SELECT elapsed_s, kind, document FROM notes WHERE run = ?"  # noqa: S608 - our own words
            f" AND kind IN ({','.join('?' * len(kinds))}) ORDER BY number LIMIT ?"
        )
        return [
            (float(elapsed_s), str(kind), str(document))
            for elapsed_s, kind, document in self.ask(query, (run.key, *kinds, most))
            if isinstance(elapsed_s, int | float) and math.isfinite(elapsed_s)
        ]

    def edge(self, run: JournalRun, *, last: bool = False) -> tuple[Any, Any, Any] | None:
        """Return Unix seconds, elapsed seconds and gate (0 if unknown) of the first reading.

        The values are as stored. None: the run has no readings.

        Args:
            run: the run.
            last: whether the last reading is meant.
        """
        query = (
            "SELECT utc_s, elapsed_s, coalesce(gate_s, 0.0) FROM readings WHERE run = ? "  # noqa: S608 - ours
            f"ORDER BY number {'DESC' if last else 'ASC'} LIMIT 1"
        )
        rows = self.ask(query, (run.key,))
        return (rows[0][0], rows[0][1], rows[0][2]) if rows else None

    def left_out_words(self, _run: JournalRun) -> str:
        """Return a sentence on readings of the run that are kept elsewhere: a journal has all."""
        return ""

    def ask(
        self, query: str, values: Sequence[object] | Mapping[str, object] = ()
    ) -> list[tuple[Any, ...]]:
        """Return the rows that the SQL `query` selects with `values` for its parameters.

        Args:
            query: with the parameters ``?``, or ``:name`` where a value stands more than once.
            values: in the order of the parameters, or by name.

        Raises:
            JournalError: the journal can't be read.
        """
        try:
            return self._connection.execute(query, values).fetchall()
        except UnicodeDecodeError as error:  # in a name of the schema
            raise JournalError(f"the journal is damaged ({self._path}).") from error
        except sqlite3.Error as error:
            raise JournalError(f"{sentence(self._path, error)}.") from error


def flags_of(written: str) -> frozenset[Flag]:
    """Return the flags in a cell, which holds words with commas; unknown words are left out."""
    return frozenset(flag for flag in FLAGS if flag in written.split(","))
