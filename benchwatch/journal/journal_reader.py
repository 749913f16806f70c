"""Reads the runs of a journal, and their events in the order of writing.

A watch may write the file at the same time. So rows are read in portions, each by a short query:
during one long query SQLite can't empty the log beside the journal, which would grow as long as
the query lasts.
"""

import math
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any, Final, Self

from benchwatch.errors import JournalError
from benchwatch.journal.journal_file import check_kind
from benchwatch.journal.run_numbers import LARGEST_NUMBER
from benchwatch.journal.schema import JournalRun, check_owner
from benchwatch.journal.sqlite_errors import sentence
from benchwatch.quantity import printable
from benchwatch.reading import FLAGS, Flag

PORTION_READINGS: Final = 5000
"""Readings read by one query."""

_LAST_NUMBER: Final = 2**63 - 1
_READING_COLUMNS: Final = "number, utc_s, elapsed_s, gate_s, text, resolution_hz, flags"
_OTHER_COLUMNS: Final = {
    "gaps": "number, utc_s, elapsed_s, lasted_s, reason",
    "marks": "number, utc_s, elapsed_s, text",
    "records": "number, utc_s, elapsed_s, kind, document",
    "notes": "number, utc_s, elapsed_s, kind, document",
}
_LATER_TABLES: Final = frozenset({"records", "notes"})
"""Tables that early journals do not have."""
_TEXT_COLUMNS: Final = frozenset({"text", "flags", "reason", "kind", "document"})
_CELL_TYPES: Final[dict[str, set[type]]] = {
    **{name: {str} for name in _TEXT_COLUMNS},
    "number": {int},
    "gate_s": {int, float, type(None)},
}
"""Allowed types of each column's cells; numbers for columns not listed."""

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

    Raises:
        JournalError: the file can't be read as a journal; every method may raise it.
    """

    def __init__(self, path: Path, *, wait_s: float = 5.0) -> None:
        check_kind(path)
        self._path = path
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
        self._others = {
            table: columns
            for table, columns in _OTHER_COLUMNS.items()
            if table in names or table not in _LATER_TABLES
        }

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()

    def runs(self, last: int | None = None) -> list[JournalRun]:
        """Return the runs, oldest first; of many only the `last` ones, if that is given."""
        numbered = ("LEFT JOIN run_numbers USING (run)", "number DESC,")
        join, order = numbered if self._is_numbered else ("", "")
        rows = self.ask(
            "SELECT run, watch, counter, resource, driver, started_utc_s, nominal_hz, identity,"  # noqa: S608 - our own words
            " time_base, gate_s, settings, ended_utc_s, end_reason"
            f" FROM runs {join} ORDER BY started_utc_s DESC, {order} run DESC LIMIT ?",
            (-1 if last is None else last,),
        )
        numbers = self._numbers()
        runs = [self._run(numbers.get(row[0], 0), *row) for row in rows]
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
            f"SELECT {_READING_COLUMNS} FROM readings"  # noqa: S608 - our own words
            " WHERE run = ? AND number > ? ORDER BY number LIMIT ?"
        )
        more = True
        while more:
            rows = self.ask(query, (run.key, after, PORTION_READINGS))
            self._check("readings", rows, run)
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
                    self._check(table, found[table], run)
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

    def _check(self, table: str, rows: list[tuple[Any, ...]], run: JournalRun) -> None:
        """Check that every cell has the type of its column."""
        names = (_READING_COLUMNS if table == "readings" else _OTHER_COLUMNS[table]).split(", ")
        for place, (name, column) in enumerate(zip(names, zip(*rows, strict=True), strict=False)):
            if set(map(type, column)) <= _CELL_TYPES.get(name, {int, float}) and (
                name in _TEXT_COLUMNS or all(map(math.isfinite, filter(None, column)))
            ):
                continue
            row = next(row for row in rows if not _is_good(name, row[place]))
            raise self._cell_error(
                f"event {printable(str(row[0]), 20)} of run {run.key}", name, row[place]
            )

    def _run(self, number: int, *row: Any) -> JournalRun:
        key, watch, counter, resource, driver, started, nominal, identity, base, gate, settings = (
            row[:11]
        )
        where = f"run {key if type(key) is int else printable(str(key), 20)}"
        for name, value in (("run", key), ("watch", watch)):
            if type(value) is not int:
                raise self._cell_error(where, name, value)
        texts = {
            "counter": counter, "resource": resource, "driver": driver, "identity": identity,
            "time_base": base, "settings": settings, "end_reason": row[12],
        }  # fmt: skip
        for name, value in texts.items():
            if type(value) is not str:
                raise self._cell_error(where, name, value)
        for name, value in (("started_utc_s", started), ("gate_s", gate), ("ended_utc_s", row[11])):
            missing = value is None and name != "started_utc_s"
            if not missing and (type(value) not in {int, float} or not math.isfinite(value)):
                raise self._cell_error(where, name, value)
        return JournalRun(
            key=key,
            watch=watch,
            counter=counter,
            resource=resource,
            driver=driver,
            started_utc_s=started,
            nominal_hz=self._nominal(nominal, where),
            identity=identity,
            time_base=base,
            gate_s=gate,
            settings=settings,
            ended_utc_s=row[11],
            end_reason=row[12],
            number=number,
        )

    def _nominal(self, written: object, where: str) -> Decimal | None:
        if written is None:
            return None
        try:
            nominal = Decimal(str(written)[:64])
        except InvalidOperation:
            nominal = Decimal(0)
        if not (nominal.is_finite() and 0 < nominal < Decimal("1e38")):
            raise self._cell_error(where, "nominal_hz", written)
        return nominal

    def _cell_error(self, where: str, name: str, value: object) -> JournalError:
        kind = "binary data" if isinstance(value, bytes) else printable(repr(value), 40)
        return JournalError(
            f"the journal is damaged, or was changed by hand: {where} has {kind} as {name} "
            f"({self._path})."
        )


def flags_of(written: str) -> frozenset[Flag]:
    """Return the flags in a cell, which holds words with commas; unknown words are left out."""
    return frozenset(flag for flag in FLAGS if flag in written.split(","))


def _is_good(name: str, value: object) -> bool:
    if type(value) not in _CELL_TYPES.get(name, {int, float}):
        return False
    return not isinstance(value, int | float) or math.isfinite(value)
