"""Finds the columns of a table: by what the caller states, by known names, or by its headings."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from benchwatch.errors import FileError
from benchwatch.quantity import listed, printable
from benchwatch.recording.dates import is_day_first
from benchwatch.recording.recorded_run import COLUMNS, PARTS, Column, ColumnKind, kind_of
from benchwatch.recording.rows import BLANK_CELLS, is_number
from benchwatch.recording.tables.headings import Heading, Unit, read_heading
from benchwatch.recording.tables.table_request import NO_TIME_COLUMN, TableRequest

_FORMS: Final = "time_s or time, and one of " + ", ".join(COLUMNS)
_DATE: Final = re.compile(r"(?:\d{4}[-/]\d\d[-/]\d\d|\d{1,2}\.\d{1,2}\.\d{4})(?!\d)", re.ASCII)
_SLASHED_DATE: Final = re.compile(r"\d{1,4}[/.-]\d{1,2}[/.-]\d{1,4}(?!\d)", re.ASCII)
_CLOCK: Final = re.compile(r"\d{1,2}:\d\d(:\d\d([.,]\d+)?)?\s*(Z|[+-]\d\d:?\d\d)?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class TableColumns:
    """The columns of a table; a column is the index of its cell in a row."""

    kind: ColumnKind
    """Quantity of the numbers."""
    value: int
    """Column of the numbers."""
    value_name: str
    """Its name, for messages."""
    unit: Unit
    """Unit of the numbers."""
    seconds: int | None
    """Column of times as numbers, if any."""
    dates: int | None
    """Column of dates, if there is none of numbers."""
    time_unit: Unit
    """Unit of the times as numbers."""
    time_name: str
    """Name of their column, for messages."""
    mjd: bool
    """Whether the times are Modified Julian Dates."""
    clock: bool
    """Whether the column after the dates has the time of day."""
    cells: int
    """Number of cells in a row."""

    @property
    def has_times(self) -> bool:
        """Whether any column has times."""
        return self.seconds is not None or self.dates is not None

    def numbers_of(self, cells: Sequence[str]) -> list[str]:
        """Return those cells of a row that are read as numbers; none where it is too short."""
        return [cells[i] for i in (self.value, self.seconds) if i is not None and i < len(cells)]


class ColumnFinder:
    """Finds the columns of one table.

    Args:
        where: file and line of the headings, for messages.
        names: the headings; in a table without, the cells of its first row.
        row: the cells of the first row of numbers, with a point for decimals; empty: there is none.
        asked: what the caller states.

    Attributes:
        guessed: words on what was guessed, for a note: ``times from 'Zeit' in seconds``.
        notes: sentences on choices that were made.
        headed: whether the first line is one of headings.
    """

    def __init__(
        self, where: str, names: Sequence[str], row: Sequence[str], asked: TableRequest
    ) -> None:
        self._where, self._names, self._row, self._asked = where, list(names), list(row), asked
        self._lower = [name.lower() for name in names]
        self._headings = [read_heading(name) for name in names]
        self.guessed: list[str] = []
        self.notes: list[str] = []
        known = {"time_s", "time", *COLUMNS} & set(self._lower)
        self.headed = bool(known) or not all(is_data(name) for name in names)
        if not self.headed:
            self._row = self._row or list(names)

    def first_moment(self, columns: TableColumns) -> tuple[str, str] | None:
        """Return the first row's cells of `time_s` and of `time`, where a table has both.

        The times are those of `time_s`; the date of one row dates them all.
        """
        both = columns.time_name == "time_s" and columns.seconds is not None
        if not both or self._lower.count("time") != 1 or columns.time_unit.name:
            return None
        seconds, date = self._cell(columns.seconds or 0), self._cell(self._lower.index("time"))
        return (seconds, date) if is_number(seconds) and _DATE.match(date) else None

    def columns(self, source: str) -> TableColumns:
        """Return the columns; `source` is the file's name, for messages.

        Raises:
            FileError: they can't be found, or not for certain; the message says what to type.
        """
        time = self._stated_time()
        value, kind, unit, name = self._value(source, time)
        if time is None and self._asked.time_column is None:
            time = self._guessed_time(value)
        if value == time:
            raise FileError(
                f"{self._where}: column {self._shown(value)} can't be both times and numbers. "
                "Say which are which: --time-column NAME --value-column NAME."
            )
        return self._with_times(time, value, kind, unit, name)

    # ------------------------------------------------------------ numbers

    def _value(self, source: str, time: int | None) -> tuple[int, ColumnKind, Unit, str]:
        """Return the column of numbers, its kind and unit, and its name for messages."""
        column = self._asked.column
        if self._asked.value_column is not None:
            return self._stated_value(self._asked.value_column)
        found = [name for name in COLUMNS if name in self._lower and column in {None, name}]
        if found:
            if len(found) > 1:
                self.notes.append(f"{source}: columns {', '.join(found)}; {found[0]} is used.")
            for one in found:
                if self._lower.count(one) > 1:
                    raise FileError(f"{self._where}: two columns are named {one}; rename one.")
            kind = kind_of(found[0])
            parts = PARTS.get(found[0], 1)
            return self._lower.index(found[0]), kind, Unit("", parts=parts), kind
        if len(self._names) == 1:
            return self._single(column)
        return self._guessed_value(time)

    def _stated_value(self, typed: str) -> tuple[int, ColumnKind, Unit, str]:
        at = self._index_of(typed, "--value-column")
        name = self._shown(at)
        exact = self._lower[at] if self._lower[at] in COLUMNS else None
        column = self._asked.column or exact
        heading = self._headings[at] if self.headed else None
        if column is None and heading is not None and heading.kind is not None:
            self._say_value(at, heading.kind, heading.unit)
            return at, heading.kind, heading.unit, name
        if column is None:
            raise FileError(
                f"{self._where}: say what the numbers in column {name} are, with --column and "
                f"one of {', '.join(COLUMNS)}."
            )
        return at, kind_of(column), self._unit_of(at, column), name

    def _unit_of(self, at: int, column: Column) -> Unit:
        """Return the unit of column `at` of the stated kind; its heading may name another."""
        heading = self._headings[at] if self.headed else None
        if column in PARTS or heading is None or heading.kind != column:
            return Unit("", parts=PARTS.get(column, 1))
        if heading.unit.name:
            self._say_value(at, kind_of(column), heading.unit)
        return heading.unit

    def _single(self, column: Column | None) -> tuple[int, ColumnKind, Unit, str]:
        """Return the only column."""
        cell = self._names[0]
        heading = self._headings[0] if self.headed else None
        if column is None and heading is not None and heading.kind is not None:
            self._say_value(0, heading.kind, heading.unit)
            return 0, heading.kind, heading.unit, self._shown(0)
        if column is not None:
            if self.headed and heading is None:
                self.notes.append(f"{self._where}: '{printable(cell, 40)}' is taken as a title.")
            return 0, kind_of(column), self._unit_of(0, column), kind_of(column)
        if not self.headed:
            raise FileError(
                f"{self._where}: one column of numbers without a header. Say what they are and how "
                "far apart, such as --column frequency_hz --interval 1s."
            )
        raise self._unknown()

    def _guessed_value(self, time: int | None) -> tuple[int, ColumnKind, Unit, str]:
        """Return the one column whose heading tells its kind, or that is left beside the times."""
        column = self._asked.column
        kind = None if column is None else kind_of(column)
        if self.headed:
            fit = [
                (at, heading)
                for at, heading in enumerate(self._headings)
                if heading is not None and heading.kind is not None and at != time
                and kind in {None, heading.kind}
            ]  # fmt: skip
            if len(fit) == 1:
                at, heading = fit[0]
                assert heading.kind is not None
                unit = heading.unit if column is None else self._unit_of(at, column)
                if column is None:
                    self._say_value(at, heading.kind, unit)
                return at, heading.kind, unit, self._shown(at)
            if fit:
                several = listed(f"'{printable(self._names[at], 40)}'" for at, _ in fit)
                raise FileError(
                    f"{self._where}: {several} may be the numbers. Say which, with --value-column "
                    f"'{printable(self._names[fit[0][0]], 40)}' or its number, "
                    f"--value-column {fit[0][0] + 1}."
                )
        if not self.headed and self._asked.interval_s is not None and time is None:
            raise FileError(
                f"{self._where}: {len(self._names)} numbers in a line without a header, and no "
                "column of times. Say which is read, such as --value-column 2; if these are "
                "decimal commas, write decimals with a point, or put a header in the first line."
            )
        if column is not None and len(self._names) == 2:
            at = 1 if time in {None, 0} else 0
            if time is None and self.headed:
                times = [i for i, one in enumerate(self._headings) if one and one.role == "time"]
                at = 1 - times[0] if len(times) == 1 else -1
            other = self._headings[at] if self.headed else None
            if at >= 0 and (other is None or other.kind in {None, kind_of(column)}):
                self.guessed.append(f"numbers from column {self._shown(at)}")
                return at, kind_of(column), Unit("", parts=PARTS.get(column, 1)), self._shown(at)
        if not self.headed:
            raise FileError(
                f"{self._where}: has no header. Name the columns in a first line: {_FORMS}; or say "
                "which is which, such as --time-column 1 --value-column 2 --column frequency_hz."
            )
        raise self._unknown()

    def _unknown(self) -> FileError:
        """Return the error for headings that say nothing."""
        column, shown = self._asked.column, printable(",".join(self._names), 60)
        how = f"or say which they are: {self._example()}"
        if column is not None:
            return FileError(
                f"{self._where}: no column is named {column}. The header needs {_FORMS}; {how}."
            )
        return FileError(
            f"{self._where}: '{shown}' is no header that is known. Rename its columns: {_FORMS}; "
            f"{how}."
        )

    def _example(self) -> str:
        """Return options that could be typed for this table."""
        heads = zip(self._headings, self._row, strict=False)
        at = [i for i, (head, cell) in enumerate(heads) if head is None and is_number(cell)]
        named = "NAME" if not at else printable(self._names[at[-1]], 40)
        if not named.isalnum():
            named = "NAME" if "'" in named or not named else f"'{named}'"
        timed = any(head is not None and head.role == "time" for head in self._headings)
        times = "" if timed else "--time-column NAME "
        return f"{times}--value-column {named} --column frequency_hz, or what else the numbers are"

    # ------------------------------------------------------------ times

    def _stated_time(self) -> int | None:
        """Return the column of times that is stated, or has a known name."""
        typed = self._asked.time_column
        if typed is not None:
            none = typed.lower() == NO_TIME_COLUMN and NO_TIME_COLUMN not in self._lower
            return None if none else self._index_of(typed, "--time-column")
        return next((self._lower.index(n) for n in ("time_s", "time") if n in self._lower), None)

    def _guessed_time(self, value: int) -> int | None:
        """Return the column whose heading tells that it has times; None: there is none."""
        if not self.headed:
            two = len(self._names) == 2 and self._asked.interval_s is None
            if two:
                self.guessed.append(f"times from column {2 - value}")
            return 1 - value if two else None
        fit = [at for at, one in enumerate(self._headings) if one and one.role == "time"]
        if not fit:
            return None
        if self._asked.interval_s is not None:
            self.notes.append(
                f"{self._where}: --interval is the time from row to row, and the column "
                f"{self._shown(fit[0])} is not read."
            )
            return None
        if len(fit) == 2 and fit[1] == fit[0] + 1 and _is_clock(self._cell(fit[1])):
            return fit[0]
        if len(fit) > 1:
            several = listed(self._shown(at) for at in fit)
            raise FileError(
                f"{self._where}: {several} may be the times. Say which, with --time-column "
                f"{self._shown(fit[0])} or its number, --time-column {fit[0] + 1}."
            )
        return fit[0]

    def _with_times(
        self, time: int | None, value: int, kind: ColumnKind, unit: Unit, name: str
    ) -> TableColumns:
        """Return the columns; what the column of times holds is told by its first cell."""
        if time and _is_clock(self._cell(time)) and _DATE.fullmatch(self._cell(time - 1)):
            time -= 1
        heading = None if time is None or not self.headed else self._headings[time]
        known = time is not None and self._lower[time] in {"time_s", "time"}
        cell = "" if time is None else self._cell(time)
        numbers = time is not None and (is_number(cell) if cell else self._lower[time] != "time")
        if known and time is not None and self._lower[time] == "time_s":
            numbers, heading = True, None
        clock = time is not None and _DATE.fullmatch(cell) is not None and (
            time + 1 < len(self._names) and _is_clock(self._cell(time + 1))
        )  # fmt: skip
        if time is not None and _is_clock(cell):
            raise FileError(
                f"{self._where}: '{printable(cell, 40)}' in column {self._shown(time)} is a time "
                "of day without a date. Put the column of dates in front of it; or where the rows "
                "are evenly spaced, leave the times out: --time-column none --interval 1s."
            )
        time_unit = heading.unit if heading is not None and heading.role == "time" else Unit("")
        said = not known or (numbers and self._lower[time or 0] == "time") or is_day_first(cell)
        if time is not None and said:
            self._say_time(time, heading, numbers=numbers, clock=clock)
        return TableColumns(
            kind=kind,
            value=value,
            value_name=name,
            unit=unit,
            seconds=time if numbers else None,
            dates=None if numbers else time,
            time_unit=time_unit if numbers else Unit(""),
            time_name=self._time_name(time),
            mjd=numbers and heading is not None and heading.mjd,
            clock=clock,
            cells=len(self._names),
        )

    def _time_name(self, time: int | None) -> str:
        if time is None:
            return "time_s"
        name = self._lower[time]
        return name if name in {"time_s", "time"} else self._shown(time)

    # ------------------------------------------------------------ words

    def _index_of(self, typed: str, option: str) -> int:
        """Return the column that is typed by its heading or its number.

        Raises:
            FileError: there is none, or more than one.
        """
        wanted = typed.strip().lower()
        fit = [at for at, name in enumerate(self._lower) if self.headed and name == wanted]
        if len(fit) == 1:
            return fit[0]
        if fit:
            numbers = listed(str(at + 1) for at in fit)
            raise FileError(
                f"{self._where}: {len(fit)} columns are named '{printable(typed, 40)}': say which "
                f"by its number, {option} {fit[0] + 1} for the first of {numbers}."
            )
        if wanted.isascii() and wanted.isdecimal() and 1 <= int(wanted[:9]) <= len(self._names):
            return int(wanted[:9]) - 1
        has = ", ".join(f"'{printable(name, 30)}'" for name in self._names[:12])
        what = f"its headings are {has}" if self.headed else f"it has {len(self._names)} columns"
        raise FileError(
            f"{self._where}: {option}: there is no column '{printable(typed, 40)}'; {what}."
        )

    def _cell(self, at: int) -> str:
        return self._row[at] if at < len(self._row) else ""

    def _shown(self, at: int) -> str:
        return f"'{printable(self._names[at], 40)}'" if self.headed else f"{at + 1}"

    def _say_value(self, at: int, kind: ColumnKind, unit: Unit) -> None:
        name = printable(unit.name, 20)
        of = f" in {name}" if name else ""
        self.guessed.append(f"numbers from column {self._shown(at)} as {kind.split('_')[0]}{of}")

    def _say_time(self, at: int, heading: Heading | None, *, numbers: bool, clock: bool) -> None:
        unit = "seconds" if heading is None else heading.unit.name or "seconds"
        day_first = not numbers and is_day_first(self._cell(at))
        dates = "as dates, day.month.year" if day_first else "as dates"
        what = f"in {printable(unit, 20)}" if numbers else dates
        if heading is not None and heading.mjd:
            what = "as Modified Julian Dates"
        after = f" and {self._shown(at + 1)}" if clock else ""
        stated = self._asked.time_column is not None and not numbers and not clock
        if not stated or day_first:
            self.guessed.append(f"times from column {self._shown(at)}{after} {what}")


def is_data(cell: str) -> bool:
    """Return whether a cell can be one of a row, and not a heading."""
    return (
        is_number(cell)
        or is_number(cell.replace(",", "."))
        or cell.lower() in BLANK_CELLS
        or _SLASHED_DATE.match(cell) is not None
        or _is_clock(cell)
    )


def _is_clock(cell: str) -> bool:
    return _CLOCK.fullmatch(cell) is not None


def date_and_clock(cells: Sequence[str]) -> int | None:
    """Return the index of the first cell with a date before one with a time of day; None: none."""
    pairs = enumerate(pairwise(cells))
    return next((i for i, (a, b) in pairs if _DATE.fullmatch(a) and _is_clock(b)), None)
