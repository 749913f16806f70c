"""The rows of a file before they become readings, and how single cells are read and checked."""

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
from benchwatch.recording.decimals import Decimals
from benchwatch.recording.recorded_run import Kind, OperatorAction, RecordingGap

BLANKS: Final = frozenset({"", "nan", "null", "none", "na", "n/a", "-"})
"""Texts of cells without a value."""

OVERRANGE_FROM: Final = Decimal("9e37")
"""SCPI-99 volume 1, 7.2.1.4: 9.9E37 stands for infinity, 9.91E37 for no number."""

BEYOND: Final = Decimal("1e38")
"""No number that a counter or a program writes for a reading is so large; infinity is below."""

LATEST_S: Final = Decimal(10) ** 12
"""Seconds, 30 000 years: nothing later or earlier is a time."""

UNIX_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

LONGEST_GATE_S: Final = 1e6
"""Eleven days; a counter that states a longer gate is wrong."""

_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,4})?", re.ASCII)
_LONGEST_NUMBER: Final = 64


@dataclass(slots=True, eq=False, kw_only=True)
class CounterFacts:
    """What a file states of one counter; completed while the rows are read."""

    source: str
    kind: Kind
    counter: str | None = None
    epoch_s: float | None = None
    """Unix seconds at time 0, where the file gives dates."""
    nominal: Decimal | None = None
    """As the file states it, in hertz."""
    parts: int = 1
    """Offsets are written in one part of so many: 10^9 for ppb."""
    reports_gaps: bool = False
    """True where such a file reports its gaps."""
    external: bool = False
    """True where the file states that an external time base was in use."""
    unit: str = "line"
    """What messages call a row."""
    notes: list[str] = field(default_factory=list)

    def place(self, line: int) -> str:
        """Name a place in the file."""
        return place(self.source, line, self.unit)


@dataclass(slots=True, eq=False, kw_only=True)
class Rows:
    """Consecutive rows of one counter as the file gives them; arrays are of equal length."""

    line: IntArray
    """Number of the line in the file."""
    time_s: FloatArray
    value: Decimals
    """The numbers; unknown where there is none."""
    over: BoolArray | None = None
    """True for rows where the counter was over its range; None: no row is."""
    gate_s: FloatArray | None = None
    """Gate times, nan where none is stated."""
    flags: dict[int, frozenset[Flag]] = field(default_factory=dict)
    corrections: dict[int, float] = field(default_factory=dict)
    """By how much the rows' offsets had been corrected; here they are as read."""
    gaps: list[RecordingGap] = field(default_factory=list)
    """Gaps the file itself reports; `before` counts these rows."""
    marks: list[tuple[int, float, OperatorAction]] = field(default_factory=list)
    """Notes on the time line: how many of these rows come before it, seconds, text."""

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.line)


CounterRows = list[tuple[CounterFacts, Rows]]
"""Rows of several counters that were read together."""


def place(source: str, line: int, unit: str = "line") -> str:
    """Name a place in a file."""
    return f"{source}, {unit} {line}"


def is_number(cell: str) -> bool:
    """Return whether a cell is a plain decimal number, with an exponent or without."""
    return len(cell) <= _LONGEST_NUMBER and _NUMBER.fullmatch(cell) is not None


def read_number(cell: str, where: str, name: str) -> str | None:
    """Read one cell as a plain decimal number, kept as text; None for a blank one.

    Raises:
        FileError: it is no such number.
    """
    if cell.lower() in BLANKS:
        return None
    if cell.lower() in {"inf", "+inf", "infinity"}:
        return "9.9E37"
    if is_number(cell):
        return cell
    raise FileError(
        f"{where}: '{printable(cell, 40)}' in column {name} is no number. Write it bare, with a "
        "point for the decimals and no unit, or leave it empty where nothing was read."
    )


def read_date(cell: str, where: str, *, zone: tzinfo | None = UTC) -> datetime:
    """Read one ISO 8601 date and time; `zone` is that of one without.

    Raises:
        FileError: it is none.
    """
    try:
        moment = datetime.fromisoformat(cell)
    except ValueError as error:
        raise FileError(
            f"{where}: '{printable(cell, 40)}' in column time is no ISO 8601 date and time. "
            "Write it as 2031-05-04T10:20:30.5Z, or name a column of seconds time_s."
        ) from error
    return moment if moment.tzinfo else moment.replace(tzinfo=zone)


def unix_seconds(moment: datetime) -> Decimal:
    """Return a date and time as Unix seconds, exact to the microsecond."""
    span = moment - UNIX_EPOCH
    return Decimal(span.days * 86400 + span.seconds) + Decimal(span.microseconds).scaleb(-6)


def json_number(row: Mapping[str, object], key: str) -> Decimal | None:
    """Return the number under `key` of a decoded JSON object, None where it is none."""
    value = row.get(key)
    return value if isinstance(value, Decimal) and value.is_finite() else None


def is_beyond(value: Decimal, limit: Decimal) -> bool:
    """Return whether `value` is `limit` or more away from 0; no exponent is too large for it."""
    return not -limit < value < limit


def check_size(text: str | None, where: str, name: str) -> None:
    """Check that the number `text`, if there is one, may be a reading.

    Raises:
        FileError: the number is absurdly large.
    """
    if text is not None and is_beyond(Decimal(text), BEYOND):
        raise FileError(
            f"{where}: {printable(text, 40)} in column {name} is larger than any reading. "
            "Mend or remove the line."
        )


def check_time(seconds: Decimal, where: str) -> Decimal:
    """Return `seconds` when it is a possible time of a run.

    Raises:
        FileError: the time is absurdly far away.
    """
    if is_beyond(seconds, LATEST_S):
        raise FileError(f"{where}: a time of {seconds:.3g} s is none. Mend or remove the line.")
    return seconds


def gate_of(seconds: Decimal | float | None) -> float:
    """Return a gate time in seconds; nan when it is none that a counter can have."""
    return float(seconds) if seconds is not None and 0 < seconds <= LONGEST_GATE_S else math.nan
