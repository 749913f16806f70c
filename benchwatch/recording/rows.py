"""Rows between a file's text and a recording, and how single cells are read."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from decimal import Decimal
from typing import Final

from benchwatch.errors import FileError
from benchwatch.quantity import printable
from benchwatch.reading import Flag
from benchwatch.recording.record import Hole, Kind

BLANKS: Final = frozenset({"", "nan", "null", "none", "na", "n/a", "-"})
"""Cells that say that there is no value."""

OVERRANGE_FROM: Final = Decimal("9e37")
"""SCPI-99 volume 1, 7.2.1.4: 9.9E37 stands for infinity, 9.91E37 for no number."""

BEYOND: Final = Decimal("1e38")
"""No number that a counter or a program writes for a reading is so large; infinity is below."""

LATEST_S: Final = Decimal(10) ** 12
"""Seconds, 30 000 years: nothing later or earlier is a time."""

_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,4})?", re.ASCII)
_LONGEST_NUMBER: Final = 64


@dataclass(slots=True)
class Rows:
    """Rows of one counter as the file gives them; the lists are of equal length."""

    source: str
    kind: Kind
    line: list[int] = field(default_factory=list)
    """Number of the line in the file."""
    time: list[Decimal] = field(default_factory=list)
    """Seconds, exact."""
    text: list[str | None] = field(default_factory=list)
    """The number as written; None where there is none."""
    counter: str | None = None
    epoch_s: float | None = None
    """Unix seconds at time 0, where the file gives dates."""
    exact: list[Decimal] | None = None
    """Frequencies exact beyond the text, where the file tells more than the text says."""
    nominal: Decimal | None = None
    """What the file itself says."""
    gate_s: list[float | None] | None = None
    flags: dict[int, frozenset[Flag]] = field(default_factory=dict)
    corrections: dict[int, float] = field(default_factory=dict)
    """By what the rows' offsets had been put right, where the file tells; here they are as read."""
    external: bool = False
    """Whether the file tells of an external time base."""
    gaps: list[Hole] = field(default_factory=list)
    """Gaps the file itself reports; `before` counts rows."""
    tells_gaps: bool = False
    """Whether such a file says where readings are missing."""
    marks: list[tuple[int, float, str]] = field(default_factory=list)
    """Notes on the time line: rows before it, seconds, text."""
    notes: list[str] = field(default_factory=list)


def place(source: str, line: int) -> str:
    """Name a place in a file."""
    return f"{source}, line {line}"


def is_number(cell: str) -> bool:
    """Tell whether a cell is a plain decimal number, with an exponent or without."""
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


def read_date(cell: str, where: str) -> datetime:
    """Read one ISO 8601 date and time; without a zone it is UTC.

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
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def exact_seconds(later: datetime, earlier: datetime) -> Decimal:
    """Return `later` - `earlier` in seconds, exact to the microsecond."""
    span = later - earlier
    return Decimal(span.days * 86400 + span.seconds) + Decimal(span.microseconds).scaleb(-6)


def tell(row: Mapping[str, object], key: str) -> Decimal | None:
    """Return the number under `key` of a decoded JSON object, None where it is none."""
    value = row.get(key)
    return value if isinstance(value, Decimal) and value.is_finite() else None


def check_size(text: str | None, where: str, name: str) -> None:
    """Check that `text` may be what was read, if anything was.

    Raises:
        FileError: it is absurdly large.
    """
    if text is not None and abs(Decimal(text)) >= BEYOND:
        raise FileError(
            f"{where}: {printable(text, 40)} in column {name} is larger than any reading. "
            "Mend or remove the line."
        )


def check_time(seconds: Decimal, where: str) -> Decimal:
    """Return `seconds` when a run can have such a time.

    Raises:
        FileError: it is absurdly far away.
    """
    if abs(seconds) > LATEST_S:
        raise FileError(f"{where}: a time of {seconds:.3g} s is none. Mend or remove the line.")
    return seconds
