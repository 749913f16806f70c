"""Quotients of whole numbers as unevaluated sums of two doubles, to round them once and rightly.

A sum of two doubles has some 106 digits (binary). A quotient is rounded from it only where its
error can't change the result (the test of Ziv 1991, ACM TOMS 17, 410); of the others the caller
works out the exact value. Products and sums without loss: Dekker 1971, Numer. Math. 18, 224.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray, IntArray

MOST_BITS: Final = 100
"""Whole divisors below two to this power are held without loss, or with one below `ERROR_SHARE`."""
ERROR_SHARE: Final = 2.0**-95
"""Bound of the relative error of a quotient; its few steps lose some 2^-103 in all."""
_SPLITTER: Final = 2.0**27 + 1.0
"""Splits a double into two halves of 26 digits (Veltkamp)."""


@dataclass(frozen=True, slots=True, eq=False)
class DoubleDouble:
    """n numbers, each `high` + `low`, arrays of shape (n,)."""

    high: FloatArray
    low: FloatArray
    """At most half a unit in the last place of `high`, or little more."""
    error: FloatArray
    """Bound of the error of the sum."""

    def rounded(self) -> tuple[FloatArray, BoolArray]:
        """Return the numbers as doubles, rounded once, and which of them are certain."""
        above = self.high + (self.low + self.error)
        below = self.high + (self.low - self.error)
        return above, above == below

    def steps(self) -> "DoubleDouble":
        """Return the difference of each number from the one before it, (n - 1,)."""
        total, lost = _two_sum(self.high[1:], -self.high[:-1])
        size = np.maximum(np.abs(self.high[1:]), np.abs(self.high[:-1]))
        error = self.error[1:] + self.error[:-1] + size * ERROR_SHARE
        return DoubleDouble(total, lost + (self.low[1:] - self.low[:-1]), error)


def quotient(number: IntArray, divisor: int) -> DoubleDouble:
    """Return `number` / `divisor`.

    Args:
        number: whole numbers, (n,), below 2^62 in size.
        divisor: positive, below 2^`MOST_BITS`.
    """
    high = float(divisor)
    return _divide(number, np.float64(high), np.float64(float(divisor - int(high))))


def quotient_by_rest(number: IntArray, whole: int) -> DoubleDouble:
    """Return `number` / (`whole` - `number`).

    Args:
        number: whole numbers, (n,), below 2^62 in size, and far smaller than `whole`.
        whole: positive, below 2^`MOST_BITS`.
    """
    high, low = float(whole), float(whole - int(float(whole)))
    taken = number.astype(np.float64)
    rest = (number - taken.astype(np.int64)).astype(np.float64)
    first, lost = _two_sum(np.float64(high), -taken)
    return _divide(number, first, lost + (low - rest))


def _divide(
    number: IntArray, high: FloatArray | np.float64, low: FloatArray | np.float64
) -> DoubleDouble:
    """Return `number` / (`high` + `low`): a long division of two digits."""
    taken = number.astype(np.float64)
    rest = (number - taken.astype(np.int64)).astype(np.float64)
    first = taken / high
    product, lost = _two_product(first, high)
    second = (((taken - product) - lost) + (rest - first * low)) / high
    return DoubleDouble(first, second, np.abs(first) * ERROR_SHARE)


def _two_sum(
    a: FloatArray | np.float64, b: FloatArray | np.float64
) -> tuple[FloatArray, FloatArray]:
    """Return the sum, and what is lost in it (Knuth)."""
    total = a + b
    part = total - a
    return np.asarray(total), np.asarray((a - (total - part)) + (b - part))


def _two_product(a: FloatArray, b: FloatArray | np.float64) -> tuple[FloatArray, FloatArray]:
    """Return the product, and what is lost in it (Dekker)."""
    product = a * b
    a_high, a_low = _split(a)
    b_high, b_low = _split(np.asarray(b))
    lost = ((a_high * b_high - product) + a_high * b_low + a_low * b_high) + a_low * b_low
    return product, np.asarray(lost)


def _split(a: FloatArray) -> tuple[FloatArray, FloatArray]:
    wide = a * _SPLITTER
    high = wide - (wide - a)
    return high, a - high
