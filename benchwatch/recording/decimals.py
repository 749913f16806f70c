"""Columns of decimal numbers, exact until the difference from a reference is rounded.

A number is a whole mantissa and a power of ten. A number that is too long for 64 bits, or not
written plainly, is kept as a `Decimal`.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchwatch.estimate.array_types import BoolArray, FloatArray, IntArray
from benchwatch.quantity import EXACT
from benchwatch.recording.double_double import (
    MOST_BITS,
    DoubleDouble,
    quotient,
    quotient_by_rest,
)

ByteArray = NDArray[np.uint8]

EXACT_BELOW: Final = 2**53
"""Whole numbers below this are exact in a double (IEEE 754)."""
MOST_COUNTED_POWERS: Final = 1000
"""Range of powers of ten in a column up to which each of them is counted."""
LARGEST_EXACT_POWER: Final = 22
"""10^22 is the largest power of ten that is exact in a double."""


@dataclass(slots=True, eq=False, kw_only=True)
class Decimals:
    """A column of n numbers, some of which may be missing."""

    known: BoolArray
    """False where a number is missing, (n,)."""
    mantissa: IntArray
    """Whole mantissas, (n,)."""
    exponent: IntArray
    """Powers of ten, (n,)."""
    longer: Mapping[int, Decimal] = field(default_factory=dict)
    """Numbers that `mantissa` and `exponent` do not hold, by index."""
    texts: Callable[[], list[str]] = list
    """Returns the n numbers as written; an empty text where one is missing."""

    def __len__(self) -> int:
        """Count the numbers, missing ones too."""
        return len(self.known)

    def at(self, i: int) -> Decimal:
        """Return the number at `i`, exactly."""
        if i in self.longer:
            return self.longer[i]
        return Decimal(int(self.mantissa[i])).scaleb(int(self.exponent[i]), EXACT)

    def only(self, rows: IntArray) -> "Decimals":
        """Return the numbers at the indices `rows`, (m,)."""
        at = {int(row): place for place, row in enumerate(rows.tolist())} if self.longer else {}
        longer = {at[i]: value for i, value in self.longer.items() if i in at}

        def texts() -> list[str]:
            every = self.texts()
            return [every[row] for row in rows.tolist()]

        return Decimals(
            known=self.known[rows],
            mantissa=self.mantissa[rows],
            exponent=self.exponent[rows],
            longer=longer,
            texts=texts,
        )

    def scaled(self, times: int, power: int) -> "Decimals":
        """Return the numbers multiplied by the positive `times` and by ten to `power`, exactly."""
        if times == 1 and not power:
            return self
        factor = Decimal(times).scaleb(power)
        large = self.known & (np.abs(self.mantissa) >= (1 << 62) // times)
        longer = {i: EXACT.multiply(value, factor) for i, value in self.longer.items()}
        longer |= {
            i: EXACT.multiply(self.at(i), factor)
            for i in np.flatnonzero(large).tolist()
            if i not in longer
        }

        def texts() -> list[str]:
            return [
                f"{EXACT.multiply(Decimal(text), factor):f}" if text else ""
                for text in self.texts()
            ]

        return Decimals(
            known=self.known,
            mantissa=np.where(large, 0, self.mantissa) * times,
            exponent=self.exponent + power,
            longer=longer,
            texts=texts,
        )

    def beyond(self, limit: Decimal) -> list[int]:
        """Return the indices of the numbers whose size is at least `limit`, in ascending order.

        Args:
            limit: above 10^18, which no mantissa with exponent 0 reaches.
        """
        large = self.known & (self.exponent > 0)
        places = {*np.flatnonzero(large).tolist(), *self.longer}
        return sorted(i for i in places if self.known[i] and not -limit < self.at(i) < limit)

    def floats(self) -> FloatArray:
        """Return the numbers, (n,), each rounded once; nan where one is missing."""
        return self.minus(Decimal(0))

    def minus(self, reference: Decimal, scale: Decimal = Decimal(1)) -> FloatArray:
        """Return (number - `reference`) / `scale`, (n,), rounded once; nan where one is missing."""
        out = np.full(len(self), np.nan)
        plain = self._plain()
        done = np.zeros(len(self), dtype=bool)
        for power in _distinct(self.exponent[plain]):
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
        """Return the weight of each number's last written digit, (n,); inf where one is missing."""
        out = np.full(len(self), np.inf)
        plain = self._plain()
        for power in _distinct(self.exponent[plain]):
            out[plain & (self.exponent == power)] = _power_of_ten(power)
        for i, value in self.longer.items():
            exponent = value.as_tuple().exponent
            if self.known[i] and isinstance(exponent, int):
                out[i] = _power_of_ten(exponent)
        return out

    def _plain(self) -> BoolArray:
        plain = self.known.copy()
        plain[list(self.longer)] = False
        return plain

    def _subtract(
        self, rows: BoolArray, power: int, reference: Decimal, scale: Decimal
    ) -> tuple[FloatArray, BoolArray]:
        """Return (number - reference) / scale of the numbers `rows`, and where that is exact.

        Numbers and reference are first written as multiples of the finer of their last digits.
        """
        finest = power if not reference else min(power, _exponent_of(reference))
        factor = 10 ** (power - finest)
        subtracted = int(reference.scaleb(-finest, EXACT))
        unit = Fraction(scale) * Fraction(10) ** -finest
        above, below = unit.numerator, unit.denominator
        mantissa = self.mantissa[rows]
        fits = abs(subtracted) < 1 << 62 and factor < 1 << 62
        if not fits or (below != 1 and not (above == 1 and _is_exact(below))):
            return np.zeros(len(mantissa)), np.zeros(len(mantissa), dtype=bool)
        exact = np.abs(mantissa) < (1 << 62) // factor
        difference = np.where(exact, mantissa, 0) * factor - subtracted
        small = np.abs(difference) < EXACT_BELOW
        if below != 1:
            return difference * float(below), exact & small
        if _is_exact(above) and bool((small | ~exact).all()):
            return difference / float(above), exact
        if above.bit_length() > MOST_BITS:
            return np.zeros(len(mantissa)), np.zeros(len(mantissa), dtype=bool)
        value, certain = quotient(difference, above).rounded()
        return value, exact & certain

    def periods_minus(self, nominal: Decimal) -> FloatArray:
        """Return (1/period - `nominal`) / `nominal` of n positive periods, (n,).

        Rounded once; nan where a number is missing.
        """
        out = np.full(len(self), np.nan)
        done = np.zeros(len(self), dtype=bool)
        digits = int(nominal.scaleb(-_exponent_of(nominal.normalize()), EXACT))
        plain = self._plain()
        for power in _distinct(self.exponent[plain]):
            # 1/p - f over f is (1 - pf)/pf, and pf is a whole number of 10^-places.
            places = -power - _exponent_of(nominal.normalize())
            if not (places >= 0 and (10**places).bit_length() <= MOST_BITS and digits < 1 << 62):
                continue
            rows = np.flatnonzero(plain & (self.exponent == power))
            mantissa = self.mantissa[rows]
            far = 10.0**places - mantissa.astype(np.float64) * float(digits)
            # Taken modulo 2^64 the difference is exact, as it is far smaller itself.
            near = np.abs(far) < min(2.0**61, 0.5 * 10.0**places)
            whole = np.uint64(10**places % (1 << 64))
            product = mantissa.astype(np.uint64) * np.uint64(digits)
            difference = np.where(near, (whole - product).astype(np.int64), 0)
            value, certain = quotient_by_rest(difference, 10**places).rounded()
            sure = near & certain
            out[rows[sure]] = value[sure]
            done[rows[sure]] = True
        for i in np.flatnonzero(self.known & ~done).tolist():
            frequency = EXACT.divide(Decimal(1), self.at(i))
            out[i] = float(EXACT.divide(EXACT.subtract(frequency, nominal), nominal))
        return out

    def doubles(self) -> DoubleDouble | None:
        """Return the numbers as sums of two doubles, all of them known; None: some are too long."""
        if self.longer:
            return None
        high, low, error = np.zeros(len(self)), np.zeros(len(self)), np.zeros(len(self))
        for power in _distinct(self.exponent):
            if power > 0 or (10**-power).bit_length() > MOST_BITS:
                return None
            rows = np.flatnonzero(self.exponent == power)
            part = quotient(self.mantissa[rows], 10**-power)
            high[rows], low[rows], error[rows] = part.high, part.low, part.error
        return DoubleDouble(high, low, error)


def decimals_from_texts(texts: Sequence[str | None]) -> Decimals:
    """Return a column of numbers read from texts one by one; None: missing."""
    values = [None if text is None else Decimal(text) for text in texts]
    return decimals_from_values(values, lambda: [text or "" for text in texts])


def decimals_from_values(
    values: Sequence[Decimal | None], texts: Callable[[], list[str]]
) -> Decimals:
    """Return a column of exact numbers; None: missing. `texts` returns them as written."""
    nothing = np.zeros(len(values), dtype=np.int64)
    return Decimals(
        known=np.array([value is not None for value in values], dtype=bool),
        mantissa=nothing,
        exponent=nothing.copy(),
        longer={i: value for i, value in enumerate(values) if value is not None},
        texts=texts,
    )


def decimal_multiples(step: Decimal, first: int, count: int) -> Decimals:
    """Return `count` multiples of `step`: `first`·step, (`first` + 1)·step and so on."""
    multiples = range(first, first + count)
    digits, power = _mantissa_of(step), _exponent_of(step)
    if abs(digits) * max(first + count, 1) >= 1 << 62:
        return decimals_from_values([step * n for n in multiples], list)
    whole = np.arange(first, first + count, dtype=np.int64) * digits
    return Decimals(
        known=np.ones(count, dtype=bool),
        mantissa=whole,
        exponent=np.full(count, power, dtype=np.int64),
    )


def merge_decimals(parts: Sequence[tuple[IntArray, Decimals]]) -> Decimals:
    """Merge columns; `parts`: indices in the result, and the column whose numbers get them."""
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

    return Decimals(known=known, mantissa=mantissa, exponent=exponent, longer=longer, texts=texts)


def _distinct(powers: IntArray) -> list[int]:
    """Return the powers that occur; most columns have only one."""
    if not powers.size:
        return []
    lowest, highest = int(powers.min()), int(powers.max())
    if highest - lowest > MOST_COUNTED_POWERS:
        return [int(power) for power in np.unique(powers)]
    return [lowest + at for at in np.flatnonzero(np.bincount(powers - lowest)).tolist()]


def _exponent_of(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    return exponent if isinstance(exponent, int) else 0


def _mantissa_of(value: Decimal) -> int:
    return int(value.scaleb(-_exponent_of(value), EXACT))


def _power_of_ten(power: int) -> float:
    """Return ten to a power, which may be far beyond what a double holds."""
    return float(f"1e{power}")


def _is_exact(whole: int) -> bool:
    """Return whether a whole number is exact in a double."""
    return whole < 1 << 1000 and int(float(whole)) == whole
