"""Reads cells of text as decimal numbers, many at a time.

`read_cells` reads the plain numbers among cells of a text. The caller reads all others one by one.
"""

from typing import Final

import numpy as np

from benchwatch.estimate.array_types import BoolArray, IntArray
from benchwatch.recording.decimals import ByteArray, Decimals, decimals_from_texts

MOST_DIGITS: Final = 18
"""Numbers of so many digits always fit into 64 bits."""
LONGEST_NUMBER_CHARS: Final = 24
"""Longest plain number: its digits, a sign, a point, and some to spare."""

_POINT: Final = ord(".")
_ZERO: Final = ord("0")
_MINUS: Final = ord("-")
_PLUS: Final = ord("+")
_NO_POINT: Final = 31
"""Stands for the number of decimals of a number without a point."""
_NO_DIGIT: Final = 11
"""Larger than any digit."""


def read_cells(data: bytes, begin: IntArray, end: IntArray) -> Decimals:
    """Read n cells as plain numbers; cells that are none are not `known`.

    A plain number has at most 18 digits, perhaps a sign, a point and an exponent.

    Args:
        data: the text; each cell is ``data[begin:end]``, in ascending order.
        begin: index of the first byte of each cell, (n,).
        end: index after the last byte of each cell, (n,).
    """
    buffer = np.frombuffer(data, dtype=np.uint8)
    stop, power = end, np.zeros(len(begin), dtype=np.int64)
    written = np.ones(len(begin), dtype=bool)
    if b"e" in data or b"E" in data:
        letters = np.flatnonzero((buffer == ord("e")) | (buffer == ord("E")))
        letter = _first_inside(letters, begin, end)
        scaled = letter >= 0
        stop = np.where(scaled, letter, end)
        rows = np.flatnonzero(scaled)
        read, value, decimals = _read_digits(buffer, letter[rows] + 1, end[rows], longest=4)
        written[rows] = read & (decimals == 0)
        power[rows] = value
    read, mantissa, decimals = _read_digits(buffer, begin, stop, longest=LONGEST_NUMBER_CHARS)

    def texts() -> list[str]:
        return [
            data[first:last].decode("utf-8", "replace")
            for first, last in zip(begin.tolist(), end.tolist(), strict=True)
        ]

    return Decimals(
        known=read & written, mantissa=mantissa, exponent=power - decimals, longer={}, texts=texts
    )


def read_texts(texts: list[str]) -> Decimals:
    """Read texts as `read_cells` reads cells; no text may hold a line feed."""
    if not texts:
        return decimals_from_texts([])
    data = ("\n".join(texts) + "\n").encode("utf-8", "replace")
    end = np.flatnonzero(np.frombuffer(data, dtype=np.uint8) == ord("\n"))
    found = read_cells(data, np.concatenate(([0], end[:-1] + 1)), end)
    found.texts = lambda: texts
    return found


def _read_digits(
    buffer: ByteArray, begin: IntArray, end: IntArray, *, longest: int
) -> tuple[BoolArray, IntArray, IntArray]:
    """Read digits, perhaps with a sign and a point; return which are such, mantissas, decimals."""
    count = len(begin)
    read, mantissa = np.zeros(count, dtype=bool), np.zeros(count, dtype=np.int64)
    decimals = np.zeros(count, dtype=np.int64)
    if not count or not buffer.size:
        return read, mantissa, decimals
    first = buffer[np.minimum(begin, len(buffer) - 1)]
    signed = (first == _MINUS) | (first == _PLUS)
    width = end - begin - signed
    point = _first_inside(np.flatnonzero(buffer == _POINT), begin, end)
    after = np.where(point >= 0, end - 1 - point, _NO_POINT)
    possible = (width > 0) & (width <= longest) & (after <= _NO_POINT)
    # Cells of equal shape (width and decimals) are read together; a file has few shapes.
    shape = np.where(possible, (width << 5) | after, 0)
    for code in np.flatnonzero(np.bincount(shape)).tolist():
        if not code:
            continue
        rows = np.flatnonzero(shape == code)
        wide, behind = code >> 5, code & 31
        good, value = _read_shape(buffer, (begin + signed)[rows], wide, behind)
        read[rows], mantissa[rows] = good, value
        decimals[rows] = 0 if behind == _NO_POINT else behind
    np.negative(mantissa, out=mantissa, where=signed & (first == _MINUS))
    return read, mantissa, decimals


def _read_shape(
    buffer: ByteArray, begin: IntArray, wide: int, behind: int
) -> tuple[BoolArray, IntArray]:
    """Read cells of `wide` characters with a point in front of the last `behind` characters.

    Returns:
        Which cells hold digits only, and their mantissas; both (n,).
    """
    columns = [k for k in range(wide) if k != wide - 1 - behind]
    value = np.zeros(len(begin), dtype=np.int64)
    if not columns:
        return np.zeros(len(begin), dtype=bool), value
    steps = np.diff(begin)
    rows = None
    if steps.size and (steps == steps[0]).all():
        step, start = int(steps[0]), int(begin[0])
        rows = np.lib.stride_tricks.as_strided(
            buffer[start:], (len(begin), wide), (step, 1), writeable=False
        )
    largest = np.zeros(len(begin), dtype=np.uint8)
    for place, k in enumerate(columns):
        byte = buffer[begin + k] if rows is None else rows[:, k]
        digit = byte - np.uint8(_ZERO)
        if place < len(columns) - MOST_DIGITS:
            # Only zeros may stand in front: they are no digits of the number.
            digit = np.where(digit > 0, np.uint8(_NO_DIGIT), digit)
        np.maximum(largest, digit, out=largest)
        value *= 10
        value += digit
    return np.asarray(largest < 10), value


def _first_inside(positions: IntArray, begin: IntArray, end: IntArray) -> IntArray:
    """Return the first of `positions` inside each cell, -1 where there is none."""
    if not positions.size or positions[-1] < begin[0]:
        return np.full(len(begin), -1, dtype=np.int64)
    if len(positions) == len(begin) and ((begin <= positions) & (positions < end)).all():
        return positions
    at = np.searchsorted(positions, begin)
    found = positions[np.minimum(at, len(positions) - 1)]
    return np.where((at < len(positions)) & (found < end) & (found >= begin), found, -1)
