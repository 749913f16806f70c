"""Reads ISO 8601 dates and times: a single one, or all cells of a column at once."""

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


def read_dates(data: bytes, begin: IntArray, end: IntArray) -> Decimals:
    """Read n cells such as 2031-05-04T10:20:30.5Z as Unix seconds.

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
            cells = buffer[begin[rows][:, None] + np.arange(wide)]
            known[rows], total[rows] = _read_width(cells)
    return Decimals(
        known=known, mantissa=total, exponent=np.full(count, MICROSECOND_EXPONENT, dtype=np.int64)
    )


def _read_width(cells: ByteArray) -> tuple[BoolArray, IntArray]:
    """Read cells of equal width, (n, width); return which are dates, and Unix microseconds."""
    good = np.ones(len(cells), dtype=bool)
    for column, marks in _SEPARATORS.items():
        good &= np.isin(cells[:, column], np.frombuffer(marks, dtype=np.uint8))
    numbers = [_whole(cells, first, last) for first, last in _FIELDS]
    for number in numbers:
        good &= number >= 0
    year, month, day, hour, minute, second = numbers
    good &= (hour < 24) & (minute < 60) & (second < 60)
    days, real = _days(year, month, day)
    seconds = days * _DAY_S + hour * 3600 + minute * 60 + second
    rest = cells[:, _SHORTEST_CHARS:]
    fraction, zone_s, readable = _fraction_and_zone(rest)
    return good & real & readable, (seconds - zone_s) * 10**-MICROSECOND_EXPONENT + fraction


_FIELDS: Final = ((0, 4), (5, 7), (8, 10), (11, 13), (14, 16), (17, 19))


def _whole(cells: ByteArray, first: int, last: int) -> IntArray:
    """Read the characters from `first` to before `last` as a number; -1 where any is no digit."""
    digits = cells[:, first:last] - np.uint8(ord("0"))
    value = digits.astype(np.int64) @ 10 ** np.arange(last - first - 1, -1, -1, dtype=np.int64)
    return np.where((digits < 10).all(axis=1), value, -1)


def _days(year: IntArray, month: IntArray, day: IntArray) -> tuple[IntArray, BoolArray]:
    """Return days since 1970-01-01, and which of the dates exist."""
    written, index = np.unique(year * 10_000 + month * 100 + day, return_inverse=True)
    days = np.zeros(len(written), dtype=np.int64)
    real = np.ones(len(written), dtype=bool)
    for i, one in enumerate(written.tolist()):
        try:
            days[i] = date(one // 10_000, one // 100 % 100, one % 100).toordinal() - _EPOCH_DAY
        except ValueError:
            real[i] = False
    return days[index], real[index]


def _fraction_and_zone(rest: ByteArray) -> tuple[IntArray, IntArray, BoolArray]:
    """Read the characters after the seconds, (n, width).

    Returns:
        The fraction in microseconds, the zone in seconds, and which cells have these forms.
    """
    count, wide = rest.shape
    zone_s, readable = np.zeros(count, dtype=np.int64), np.ones(count, dtype=bool)
    zoned = 0
    if wide and (rest[:, -1] == ord("Z")).all():
        zoned = 1
    elif wide >= 6 and np.isin(rest[:, -6], np.frombuffer(b"+-", dtype=np.uint8)).all():
        zoned = 6
        sign = np.where(rest[:, -6] == ord("-"), -1, 1)
        hours, minutes = _whole(rest, wide - 5, wide - 3), _whole(rest, wide - 2, wide)
        zone_s = sign * (hours * 3600 + minutes * 60)
        readable = (rest[:, -3] == ord(":")) & (hours >= 0) & (hours < 24)
        readable &= (minutes >= 0) & (minutes < 60)
    left = wide - zoned
    if not left:
        return np.zeros(count, dtype=np.int64), zone_s, readable
    if not 2 <= left <= 7:
        return np.zeros(count, dtype=np.int64), zone_s, np.zeros(count, dtype=bool)
    fraction = _whole(rest, 1, left)
    readable &= (rest[:, 0] == ord(".")) & (fraction >= 0)
    return fraction * 10 ** (7 - left), zone_s, readable
