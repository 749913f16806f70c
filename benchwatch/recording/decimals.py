"""Columns of decimal numbers: read from text many at a time, exact until something is subtracted.

A number is a whole mantissa and a power of ten. What is too long for 64 bits, or is not written
plainly, is kept as a `Decimal` of its own.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Context, Decimal
from fractions import Fraction
from typing import Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
ByteArray = NDArray[np.uint8]

EXACT: Final = Context(prec=100)
MOST_DIGITS: Final = 18
"""Digits that always fit into 64 bits."""
WIDEST: Final = 24
"""Characters of a plain number: its digits, a sign, a point, and some to spare."""
EXACT_BELOW: Final = 2**53
"""Whole numbers below this are exact in a double (IEEE 754)."""
FARTHEST_POWER: Final = 22
"""10^22 is the largest power of ten that is exact in a double."""

_POINT: Final = ord(".")
_ZERO: Final = ord("0")
_MINUS: Final = ord("-")
_PLUS: Final = ord("+")
_NO_POINT: Final = 31
_HALF: Final = 9
"""Digits that are added up at once; the sums are exact in a double."""


@dataclass(slots=True, eq=False)
class Decimals:
    """n numbers; where `known` is False there is none."""

    known: BoolArray
    mantissa: IntArray
    exponent: IntArray
    """Powers of ten."""
    longer: Mapping[int, Decimal] = field(default_factory=dict)
    """Numbers by their index that mantissa and exponent do not hold."""
    texts: Callable[[], list[str]] = list
    """Gives all numbers as they were written; empty where there is none."""

    def __len__(self) -> int:
        """Count the places, with a number or without."""
        return len(self.known)

    def at(self, i: int) -> Decimal:
        """Return the number at `i`, exactly."""
        if i in self.longer:
            return self.longer[i]
        return Decimal(int(self.mantissa[i])).scaleb(int(self.exponent[i]), EXACT)

    def only(self, rows: IntArray) -> "Decimals":
        """Return the numbers at the places `rows`."""
        at = {int(row): place for place, row in enumerate(rows.tolist())} if self.longer else {}
        longer = {at[i]: value for i, value in self.longer.items() if i in at}

        def texts() -> list[str]:
            every = self.texts()
            return [every[row] for row in rows.tolist()]

        return Decimals(self.known[rows], self.mantissa[rows], self.exponent[rows], longer, texts)

    def beyond(self, limit: Decimal) -> list[int]:
        """Return the places of the numbers that are `limit`, which is large, or more away from 0.

        Args:
            limit: above 10^18.
        """
        large = self.known & (self.exponent > 0)
        places = {*np.flatnonzero(large).tolist(), *self.longer}
        return sorted(i for i in places if self.known[i] and not -limit < self.at(i) < limit)

    def floats(self) -> FloatArray:
        """Return the numbers, each rounded once; nan where there is none."""
        return self.minus(Decimal(0))

    def minus(self, reference: Decimal, scale: Decimal = Decimal(1)) -> FloatArray:
        """Return (number - reference) / scale, each rounded once; nan where there is none."""
        out = np.full(len(self), np.nan)
        plain = self._plain()
        done = np.zeros(len(self), dtype=bool)
        for power in _each(self.exponent[plain]):
            rows = plain & (self.exponent == power)
            value, exact = self._subtract(rows, power, reference, scale)
            chosen = np.flatnonzero(rows)[exact]
            out[chosen] = value[exact]
            done[chosen] = True
        for i in np.flatnonzero(self.known & ~done).tolist():
            difference = EXACT.subtract(self.at(i), reference)
            out[i] = float(EXACT.divide(difference, scale))
        return out

    def last_digits(self) -> FloatArray:
        """Return the weight of the last digit that was written of each; inf where there is none."""
        out = np.full(len(self), np.inf)
        plain = self._plain()
        out[plain] = 10.0 ** self.exponent[plain].astype(np.float64)
        for i, value in self.longer.items():
            exponent = value.as_tuple().exponent
            if self.known[i] and isinstance(exponent, int):
                out[i] = 10.0**exponent
        return out

    def _plain(self) -> BoolArray:
        plain = self.known.copy()
        plain[list(self.longer)] = False
        return plain

    def _subtract(
        self, rows: BoolArray, power: int, reference: Decimal, scale: Decimal
    ) -> tuple[FloatArray, BoolArray]:
        """Do it in whole numbers of the finer last digit; return also where that is exact."""
        finest = power if not reference else min(power, _exponent_of(reference))
        factor = 10 ** (power - finest)
        subtracted = int(reference.scaleb(-finest, EXACT))
        unit = Fraction(scale) * Fraction(10) ** -finest
        above, below = unit.numerator, unit.denominator
        fits = abs(subtracted) < 1 << 62 and factor < 1 << 62
        mantissa = self.mantissa[rows]
        if not (fits and _is_exact(above) and _is_exact(below)) or 1 not in {above, below}:
            return np.zeros(len(mantissa)), np.zeros(len(mantissa), dtype=bool)
        exact = np.abs(mantissa) < (1 << 62) // factor
        difference = np.where(exact, mantissa, 0) * factor - subtracted
        exact &= np.abs(difference) < EXACT_BELOW
        return difference / float(above) if below == 1 else difference * float(below), exact


def of_texts(texts: Sequence[str | None]) -> Decimals:
    """Read plain numbers one by one; None where there is none."""
    values = [None if text is None else Decimal(text) for text in texts]
    return of_values(values, lambda: [text or "" for text in texts])


def of_values(values: Sequence[Decimal | None], texts: Callable[[], list[str]]) -> Decimals:
    """Take numbers that are known exactly already."""
    nothing = np.zeros(len(values), dtype=np.int64)
    return Decimals(
        np.array([value is not None for value in values], dtype=bool),
        nothing,
        nothing.copy(),
        {i: value for i, value in enumerate(values) if value is not None},
        texts,
    )


def of_steps(step: Decimal, first: int, count: int) -> Decimals:
    """Return the multiples of `step` from that of `first` on."""
    multiples = range(first, first + count)
    digits, power = _mantissa_of(step), _exponent_of(step)
    if abs(digits) * max(first + count, 1) >= 1 << 62:
        return of_values([step * n for n in multiples], list)
    whole = np.arange(first, first + count, dtype=np.int64) * digits
    return Decimals(np.ones(count, dtype=bool), whole, np.full(count, power, dtype=np.int64))


def merged(parts: Sequence[tuple[IntArray, Decimals]]) -> Decimals:
    """Put columns together; with each go the places that its numbers take."""
    count = sum(len(places) for places, _ in parts)
    known = np.zeros(count, dtype=bool)
    mantissa, exponent = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    longer: dict[int, Decimal] = {}
    for places, part in parts:
        known[places], mantissa[places] = part.known, part.mantissa
        exponent[places] = part.exponent
        longer |= {int(places[i]): value for i, value in part.longer.items()}

    def texts() -> list[str]:
        found = [""] * count
        for places, part in parts:
            for place, text in zip(places.tolist(), part.texts(), strict=True):
                found[place] = text
        return found

    return Decimals(known, mantissa, exponent, longer, texts)


def read_cells(data: bytes, begin: IntArray, end: IntArray) -> Decimals:
    """Read the cells of `data` that are plain numbers; the others are not `known`.

    A plain number has at most 18 digits, perhaps a sign, a point and an exponent.

    Args:
        data: the text; a cell is ``data[begin:end]``, in the order of the text.
        begin: of each cell.
        end: of each cell.
    """
    buffer = np.frombuffer(data, dtype=np.uint8)
    stop, power = end, np.zeros(len(begin), dtype=np.int64)
    written = np.ones(len(begin), dtype=bool)
    letters = np.flatnonzero((buffer == ord("e")) | (buffer == ord("E")))
    if letters.size:
        letter = _first_inside(letters, begin, end)
        scaled = letter >= 0
        stop = np.where(scaled, letter, end)
        rows = np.flatnonzero(scaled)
        read, value, decimals = _read_digits(buffer, letter[rows] + 1, end[rows], longest=4)
        written[rows] = read & (decimals == 0)
        power[rows] = value
    read, mantissa, decimals = _read_digits(buffer, begin, stop, longest=WIDEST)

    def texts() -> list[str]:
        return [
            data[first:last].decode("utf-8", "replace")
            for first, last in zip(begin.tolist(), end.tolist(), strict=True)
        ]

    return Decimals(read & written, mantissa, power - decimals, {}, texts)


def read_texts(texts: list[str]) -> Decimals:
    """Read numbers as `read_cells` does, from texts of which none holds a line feed."""
    if not texts:
        return of_texts([])
    data = ("\n".join(texts) + "\n").encode("utf-8", "replace")
    end = np.flatnonzero(np.frombuffer(data, dtype=np.uint8) == ord("\n"))
    found = read_cells(data, np.concatenate(([0], end[:-1] + 1)), end)
    found.texts = lambda: texts
    return found


def _read_digits(
    buffer: ByteArray, begin: IntArray, end: IntArray, *, longest: int
) -> tuple[BoolArray, IntArray, IntArray]:
    """Read digits with perhaps a sign and a point: which are such, their mantissas, decimals."""
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
    # Cells of one shape, of which there are few, are read together.
    shape = np.where(possible, (width << 5) | after, 0)
    for one in np.flatnonzero(np.bincount(shape)).tolist():
        if not one:
            continue
        rows = np.flatnonzero(shape == one)
        wide, behind = one >> 5, one & 31
        good, value = _read_shape(buffer, (begin + signed)[rows], wide, behind)
        read[rows], mantissa[rows] = good, value
        decimals[rows] = 0 if behind == _NO_POINT else behind
    np.negative(mantissa, out=mantissa, where=signed & (first == _MINUS))
    return read, mantissa, decimals


def _read_shape(
    buffer: ByteArray, begin: IntArray, wide: int, behind: int
) -> tuple[BoolArray, IntArray]:
    """Read cells of `wide` characters, with a point in front of the last `behind` of them."""
    columns = [k for k in range(wide) if k != wide - 1 - behind]
    value = np.zeros(len(begin), dtype=np.int64)
    if not columns or len(columns) > MOST_DIGITS:
        return np.zeros(len(begin), dtype=bool), value
    steps = np.diff(begin)
    if steps.size and (steps == steps[0]).all():
        step, start = int(steps[0]), int(begin[0])
        rows = np.lib.stride_tricks.as_strided(
            buffer[start:], (len(begin), wide), (step, 1), writeable=False
        )
        digits = rows[:, columns]
    else:
        digits = buffer[begin[:, None] + np.array(columns)]
    digits = digits - np.uint8(_ZERO)
    good = np.asarray((digits < 10).all(axis=1))
    for k in range(0, len(columns), _HALF):
        half = digits[:, k : k + _HALF]
        weights = 10.0 ** np.arange(half.shape[1] - 1, -1, -1)
        value *= 10 ** half.shape[1]
        value += (half.astype(np.float64) @ weights).astype(np.int64)
    return good, value


def _each(powers: IntArray) -> list[int]:
    """Return the powers that occur; of most columns it is one."""
    if not powers.size:
        return []
    lowest, highest = int(powers.min()), int(powers.max())
    return [lowest] if lowest == highest else [int(power) for power in np.unique(powers)]


def _first_inside(positions: IntArray, begin: IntArray, end: IntArray) -> IntArray:
    """Return the first of `positions` inside each cell, -1 where there is none."""
    if not positions.size or positions[-1] < begin[0]:
        return np.full(len(begin), -1, dtype=np.int64)
    if len(positions) == len(begin) and ((begin <= positions) & (positions < end)).all():
        return positions
    at = np.searchsorted(positions, begin)
    found = positions[np.minimum(at, len(positions) - 1)]
    return np.where((at < len(positions)) & (found < end) & (found >= begin), found, -1)


def _exponent_of(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    return exponent if isinstance(exponent, int) else 0


def _mantissa_of(value: Decimal) -> int:
    return int(value.scaleb(-_exponent_of(value), EXACT))


def _is_exact(whole: int) -> bool:
    """Tell whether a whole number is exact in a double."""
    return whole < 1 << 1000 and int(float(whole)) == whole
