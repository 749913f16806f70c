"""The rows of a file before they become readings, and functions that read and check cells."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from decimal import Decimal
from typing import Final

from benchwatch.errors import FileError
from benchwatch.estimate.array_types import BoolArray, FloatArray, IntArray
from benchwatch.quantity import printable
from benchwatch.reading import Flag
from benchwatch.recording.dates import unclear_date, year_first
from benchwatch.recording.decimals import Decimals
from benchwatch.recording.recorded_run import ColumnKind, OperatorAction, RecordingGap

BLANK_CELLS: Final = frozenset({"", "nan", "null", "none", "na", "n/a", "-"})
"""Texts that mark a cell without a value; in lower case."""

OVERRANGE_FROM: Final = Decimal("9e37")
"""Numbers from here to `TOO_LARGE` mean over range: 9.9E37 stands for infinity, 9.91E37 for no
number (SCPI-99 volume 1, 7.2.1.4)."""

TOO_LARGE: Final = Decimal("1e38")
"""Numbers of this size are no readings; 9.9E37 and 9.91E37 are smaller."""

FARTHEST_TIME_S: Final = Decimal(10) ** 12
"""Seconds from time 0 (30 000 years): nothing farther away is a time."""

UNIX_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

LONGEST_ROW_GATE_S: Final = 1e6
"""Eleven days; a counter that states a longer gate is wrong."""

_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,4})?", re.ASCII)
_LONGEST_NUMBER_CHARS: Final = 64


@dataclass(slots=True, eq=False, kw_only=True)
class CounterFacts:
    """Facts on one counter that a file states; completed while rows are read."""

    source: str
    """Name of the file, for messages."""
    kind: ColumnKind
    counter: str | None = None
    """Name of the counter, where the file states it."""
    epoch_s: float | None = None
    """Unix seconds at time 0, where the file gives dates."""
    nominal: Decimal | None = None
    """Hertz, where the file states it."""
    nominal_from: str = ""
    """Where in the file, if it is to be said: ``its first line``."""
    parts: int = 1
    """How many of the column's unit make 1: 10^9 for offsets in ppb."""
    reports_gaps: bool = False
    """True where files of this form report their gaps."""
    external: bool = False
    """True where the file states that an external time base was in use."""
    unit: str = "line"
    """Word for a row in messages."""
    notes: list[str] = field(default_factory=list)
    """Sentences on anything assumed, left out or odd."""

    def location(self, line: int) -> str:
        """Return the name of a line of the file, for messages."""
        return location(self.source, line, self.unit)


@dataclass(slots=True, eq=False, kw_only=True)
class Rows:
    """n consecutive rows of one counter as the file gives them; arrays are (n,)."""

    line: IntArray
    """Numbers of the lines in the file."""
    time_s: FloatArray
    value: Decimals
    """Numbers in the unit of the column; missing in a blank row."""
    over: BoolArray | None = None
    """True for rows where the counter was over its range; None: no row is."""
    gate_s: FloatArray | None = None
    """Gate times in seconds, nan where none is stated; None: the file states none."""
    flags: dict[int, frozenset[Flag]] = field(default_factory=dict)
    """Flags of a row, by its index."""
    corrections: dict[int, float] = field(default_factory=dict)
    """Fractional correction that the recorded offset of a row includes, by the row's index; `value`
    does not include it."""
    gaps: list[RecordingGap] = field(default_factory=list)
    """Gaps that the file reports; `before` counts these rows."""
    marks: list[tuple[int, float, OperatorAction]] = field(default_factory=list)
    """The operator's actions: (how many of these rows precede it, seconds, action)."""

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.line)


CounterRows = list[tuple[CounterFacts, Rows]]
"""One batch of a file: rows of one or several counters."""


def location(source: str, line: int, unit: str = "line") -> str:
    """Return the name of a line of a file, for messages."""
    return f"{source}, {unit} {line}"


def is_number(cell: str) -> bool:
    """Return whether a cell is a plain decimal number, with an exponent or without."""
    return len(cell) <= _LONGEST_NUMBER_CHARS and _NUMBER.fullmatch(cell) is not None


def read_number(cell: str, where: str, name: str) -> str | None:
    """Check that a cell is a plain decimal number, and return its text; None for a blank cell.

    Args:
        cell: the cell without blanks around it; infinity becomes ``9.9E37``.
        where: file and line, for messages.
        name: name of the column, for messages.

    Raises:
        FileError: the cell is no plain number.
    """
    if cell.lower() in BLANK_CELLS:
        return None
    if cell.lower() in {"inf", "+inf", "infinity"}:
        return "9.9E37"
    if is_number(cell):
        return cell
    raise FileError(
        f"{where}: '{printable(cell, 40)}' in column {name} is no number. Write it bare, with a "
        "point for the decimals and no unit, or leave it empty where nothing was read."
    )


def read_date(cell: str, where: str, *, zone: tzinfo | None = UTC, name: str = "time") -> datetime:
    """Read one date and time, in ISO 8601 or as day.month.year; without a zone it is in `zone`.

    Raises:
        FileError: the cell is no date; the message begins with `where`, the file and line.
    """
    try:
        moment = datetime.fromisoformat(year_first(cell))
    except ValueError as error:
        reason = unclear_date(cell)
        if reason is not None:
            raise FileError(
                f"{where}: '{printable(cell, 40)}' {reason}. Write dates as 2031-05-04T10:20:30, "
                "or where the rows are evenly spaced, leave them out: --time-column none "
                "--interval 1s."
            ) from error
        raise FileError(
            f"{where}: '{printable(cell, 40)}' in column {name} is no ISO 8601 date and time. "
            "Write it as 2031-05-04T10:20:30.5Z, or name a column of seconds time_s."
        ) from error
    return moment if moment.tzinfo else moment.replace(tzinfo=zone)


def unix_seconds(moment: datetime) -> Decimal:
    """Return a date and time as Unix seconds, exact to the microsecond."""
    span = moment - UNIX_EPOCH
    return Decimal(span.days * 86400 + span.seconds) + Decimal(span.microseconds).scaleb(-6)


def json_number(row: Mapping[str, object], key: str) -> Decimal | None:
    """Return the finite number under `key` of a decoded JSON object; None: there is none."""
    value = row.get(key)
    return value if isinstance(value, Decimal) and value.is_finite() else None


def is_beyond(value: Decimal, limit: Decimal) -> bool:
    """Return whether the size of `value` is at least `limit`; its exponent may be any."""
    return not -limit < value < limit


def check_size(text: str | None, where: str, name: str) -> None:
    """Check the size of a reading.

    Args:
        text: the number as written; None: no number.
        where: file and line, for messages.
        name: name of the column, for messages.

    Raises:
        FileError: the number is absurdly large.
    """
    if text is not None and is_beyond(Decimal(text), TOO_LARGE):
        raise FileError(
            f"{where}: {printable(text, 40)} in column {name} is larger than any reading. "
            "Mend or remove the line."
        )


def check_time(seconds: Decimal, where: str) -> Decimal:
    """Return `seconds` if a run can have such a time.

    Raises:
        FileError: the time is absurdly far away; the message begins with `where`.
    """
    if is_beyond(seconds, FARTHEST_TIME_S):
        raise FileError(f"{where}: a time of {seconds:.3g} s is none. Mend or remove the line.")
    return seconds


def checked_gate(seconds: Decimal | float | None) -> float:
    """Return a gate time in seconds; nan if it is missing or no counter can have it."""
    return float(seconds) if seconds is not None and 0 < seconds <= LONGEST_ROW_GATE_S else math.nan
