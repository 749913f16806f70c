"""Reads dates and times, in ISO 8601 or as day.month.year: a single one, or a column at once.

Numbers with points between them are day, month and year in this order (common practice, no source).
With strokes or hyphens both orders of day and month are in use, and neither is read.
"""

import re
from datetime import UTC, date, datetime
from typing import Final

import numpy as np

from benchwatch.errors import FileError
from benchwatch.estimate.array_types import BoolArray, IntArray
from benchwatch.quantity import printable
from benchwatch.recording.decimals import ByteArray, Decimals

MICROSECOND_EXPONENT: Final = -6
"""Dates in a column are counted in microseconds: 10 to this power, in seconds."""
_DAY_S: Final = 86400
_EPOCH_DAY: Final = date(1970, 1, 1).toordinal()
_SHORTEST_CHARS: Final = 19
"""Length of 2031-05-04T10:20:30."""
_LONGEST_CHARS: Final = 32
_SEPARATORS: Final = {4: b"-/", 7: b"-/", 10: b"T ,", 13: b":", 16: b":"}
"""Which bytes may stand where; a comma where date and time of day are two cells."""
_YEAR_FIRST: Final = [6, 7, 8, 9, 2, 3, 4, 5, 0, 1]
"""Which byte of 30.03.2024 is each byte of 2024.03.30."""
_POINTED: Final = re.compile(
    r"(?P<day>\d{1,2})\.(?P<month>\d{1,2})\.(?P<year>\d{4})(?!\d)"
    r"(?:[T ]\s*(?P<hour>\d{1,2})(?=:))?",
    re.ASCII,
)
_STROKED: Final = re.compile(r"(\d{4})/(\d\d)/(\d\d)(?!\d)", re.ASCII)
_YEAR_LAST: Final = re.compile(r"(\d{1,2})([/.-])(\d{1,2})\2(\d{2}|\d{4})(?!\d)", re.ASCII)
_MONTHS: Final = 12


def read_moment(text: str, where: str) -> float:
    """Read an ISO 8601 date, or date and time, as Unix seconds; without a zone it is UTC.

    Raises:
        FileError: `text` is no date; the message begins with `where`, the file and line.
    """
    try:
        moment = datetime.fromisoformat(text.strip())
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError) as error:
        raise FileError(
            f"{where}: '{printable(text, 40)}' is no date; write it as 2031-05-04."
        ) from error


def is_day_first(cell: str) -> bool:
    """Return whether a cell begins with a date as day.month.year, the year in four digits."""
    return _POINTED.match(cell) is not None


def year_first(cell: str) -> str:
    """Return a date as ISO 8601 if it is written with strokes or points; other text as it is."""
    found = _POINTED.match(cell)
    if found is None:
        return _STROKED.sub(r"\1-\2-\3", cell)
    date_only = f"{found['year']}-{found['month']:0>2}-{found['day']:0>2}"
    clock = "" if found["hour"] is None else f"T{found['hour']:0>2}"
    return f"{date_only}{clock}{cell[found.end() :]}"


def unclear_date(cell: str) -> str | None:
    """Say why a date with the year last is not read, to stand after it; None: it is none."""
    found = _YEAR_LAST.match(cell)
    if found is None:
        return None
    if found[2] == ".":
        whole = len(found[4]) == 4
        wrong = "is no date as day.month.year with a time of day"
        return wrong if whole else "does not say the year in four digits"
    first, second = sorted((int(found[1]), int(found[3])))
    if second <= _MONTHS:
        return "does not say which is the day and which the month"
    if len(found[4]) == 2:
        return "does not say which is the day and which the year"
    if first > _MONTHS:
        return "has no month"
    signs = "strokes" if found[2] == "/" else "hyphens"
    return (
        f"has the year last, with {signs}: such dates are not read, as others like it do not say "
        "which is the day and which the month"
    )


def read_dates(data: bytes, begin: IntArray, end: IntArray) -> Decimals:
    """Read n cells such as 2031-05-04T10:20:30.5Z or 04.05.2031 10:20:30.5 as Unix seconds.

    The fraction may have up to six digits. The zone is ``Z``, an offset such as ``+02:00``, or left
    out for UTC. Cells in any other form are not `known`.

    Args:
        data: the text; each cell is ``data[begin:end]``, in ascending order.
        begin: index of the first byte of each cell, (n,).
        end: index after the last byte of each cell, (n,).
    """
    buffer = np.frombuffer(data, dtype=np.uint8)
    count = len(begin)
    known, total = np.zeros(count, dtype=bool), np.zeros(count, dtype=np.int64)
    width = end - begin
    for wide in np.unique(width).tolist():
        if _SHORTEST_CHARS <= wide <= _LONGEST_CHARS:
            rows = np.flatnonzero(width == wide)
            cells = buffer[np.arange(wide)[:, None] + begin[rows]]
            known[rows], total[rows] = _read_width(cells)
    return Decimals(
        known=known, mantissa=total, exponent=np.full(count, MICROSECOND_EXPONENT, dtype=np.int64)
    )


def _read_width(cells: ByteArray) -> tuple[BoolArray, IntArray]:
    """Read cells of equal width, (width, n); return which are dates, and Unix microseconds."""
    good = np.ones(cells.shape[1], dtype=bool)
    pointed = (cells[2] == ord(".")) & (cells[5] == ord("."))
    if pointed.any():
        cells = np.where(pointed, _with_year_first(cells), cells)
    for place, marks in _SEPARATORS.items():
        good &= _is_one_of(cells[place], marks)
    year, month, day, hour, minute, second = (
        _whole(cells[first:last], good) for first, last in _FIELDS
    )
    good &= (hour < 24) & (minute < 60) & (second < 60)
    days = _days(year * 10_000 + month * 100 + day, good)
    seconds = days * _DAY_S + hour * 3600 + minute * 60 + second
    fraction, zone_s = _fraction_and_zone(cells[_SHORTEST_CHARS:], good)
    return good, (seconds - zone_s) * 10**-MICROSECOND_EXPONENT + fraction


def _with_year_first(cells: ByteArray) -> ByteArray:
    """Return cells that begin with 30.03.2024, (width, n), beginning with 2024-03-30 instead."""
    moved = cells.copy()
    moved[:10] = cells[_YEAR_FIRST]
    moved[[4, 7]] = ord("-")
    return moved


_FIELDS: Final = ((0, 4), (5, 7), (8, 10), (11, 13), (14, 16), (17, 19))


def _is_one_of(column: ByteArray, marks: bytes) -> BoolArray:
    """Return which bytes, (n,), are one of `marks`."""
    found: BoolArray = column == marks[0]
    for mark in marks[1:]:
        found |= column == mark
    return found


def _whole(cells: ByteArray, good: BoolArray) -> IntArray:
    """Read cells of digits as numbers, (width, n); `good` becomes false where one is no digit."""
    value = np.zeros(cells.shape[1], dtype=np.int64)
    for column in cells:
        digit = column - np.uint8(ord("0"))
        good &= digit < 10
        value *= 10
        value += digit
    return value


def _days(written: IntArray, good: BoolArray) -> IntArray:
    """Return days since 1970-01-01 of dates written as 20310504.

    `good` becomes false where there is no such date.
    """
    if written.size and written.min() == written.max():
        distinct, index = written[:1], np.zeros(written.size, dtype=np.int64)
    else:
        distinct, index = np.unique(written, return_inverse=True)
    days = np.zeros(len(distinct), dtype=np.int64)
    real = np.ones(len(distinct), dtype=bool)
    for i, one in enumerate(distinct.tolist()):
        try:
            days[i] = date(one // 10_000, one // 100 % 100, one % 100).toordinal() - _EPOCH_DAY
        except ValueError:
            real[i] = False
    good &= real[index]
    return days[index]


def _fraction_and_zone(rest: ByteArray, good: BoolArray) -> tuple[IntArray, IntArray]:
    """Read the characters after the seconds, (width, n).

    `good` becomes false where they have another form.

    Returns:
        The fraction in microseconds, and the zone in seconds.
    """
    wide, count = rest.shape
    zone_s, fraction = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    zoned = 0
    if wide and (rest[-1] == ord("Z")).all():
        zoned = 1
    elif wide >= 6 and _is_one_of(rest[-6], b"+-").all():
        zoned = 6
        hours, minutes = _whole(rest[-5:-3], good), _whole(rest[-2:], good)
        zone_s = np.where(rest[-6] == ord("-"), -1, 1) * (hours * 3600 + minutes * 60)
        good &= (rest[-3] == ord(":")) & (hours < 24) & (minutes < 60)
    left = wide - zoned
    if 2 <= left <= 7:
        fraction = _whole(rest[1:left], good) * 10 ** (7 - left)
        good &= rest[0] == ord(".")
    elif left:
        good[:] = False
    return fraction, zone_s
