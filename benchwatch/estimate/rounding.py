"""The error that rounding to a last digit leaves in a mean, however many readings it has.

Readings that are all equal share one rounding error, anywhere within half a digit: their mean
is no better than one of them, sd q/√12 (JCGM 100:2008, F.2.2.1 and 4.3.7). Noise of half a
digit and more spreads the readings over several digits, and their mean is then better: the error of
a quantiser dithered by normal noise of σ is

    q/π Σ (-1)ᵏ/k · exp(-2π²k²σ²/q²) · sin(2πk·level/q),   k = 1, 2 ...

(Fourier series of the sawtooth, each harmonic damped by the noise's characteristic function;
derived; it agrees with the literature on dither, from memory). Its mean square over all levels
falls from q²/12 at σ = 0 to (0.002 q)² at σ = q/2. The readings show not σ but their variance, on
average over levels w = σ² + q²/12 minus that mean square.

Where the readings show two digits only, σ and the level can't both be known: with 0.8 of them at
the upper digit there may be little noise near the boundary or more noise further up. The level then
lies anywhere between boundary and mean, which are √(q²/4 - w) apart: a uniform distribution, whose
sd is this distance over √3.
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.sample_variances import ALLAN_DIVISOR

FEWEST_QUIET_READINGS: Final = 3
"""Fewest readings that show a level to be quiet."""
_HARMONICS: Final = 5
_LARGEST_SIGMA: Final = 0.6
"""Noise, in digits, from which on no rounding error is left in a mean."""
_TABLE_STEPS: Final = 60


def residual_bias(sigma: float) -> float:
    """Return the mean square error of a dithered quantiser, digits²; `sigma` in digits."""
    if sigma <= 0.0:
        return 1.0 / 12.0
    power = (2.0 * math.pi * sigma) ** 2
    return sum(
        math.exp(-power * k * k) / (2.0 * math.pi**2 * k * k) for k in range(1, _HARMONICS + 1)
    )


_BIASES: Final = [
    residual_bias(_LARGEST_SIGMA * place / _TABLE_STEPS) for place in range(_TABLE_STEPS)
]
_SEEN_VARIANCES: Final = [
    (_LARGEST_SIGMA * place / _TABLE_STEPS) ** 2 + 1.0 / 12.0 - bias
    for place, bias in enumerate(_BIASES)
]


def rounding_variance(readings: Sequence[float], quantum: float) -> float:
    """Return the variance of the mean of `readings` by rounding, which more readings don't lower.

    Args:
        readings: in order of time, so that a slow drift doesn't pass for dither.
        quantum: weight of the last digit, in the readings' unit; 0 when unknown.
    """
    if quantum <= 0.0:
        return 0.0
    if len(readings) < 2:
        return quantum * quantum / 12.0
    steps = [(b - a) / quantum for a, b in pairwise(readings)]
    squares = [step * step for step in steps]
    return _bias_left(squares, max(readings) - min(readings), quantum)


def rounding_variance_of_array(readings: FloatArray, quantum: float) -> float:
    """Return `rounding_variance`, to the last bit; of more than twenty readings it is faster.

    Args:
        readings: shape (n,), in order of time.
        quantum: as that of `rounding_variance`.
    """
    if quantum <= 0.0 or len(readings) < 2:
        return rounding_variance(readings.tolist(), quantum)
    steps = (readings[1:] - readings[:-1]) / quantum
    width = float(np.maximum.reduce(readings) - np.minimum.reduce(readings))
    return _bias_left((steps * steps).tolist(), width, quantum)


def _bias_left(squares: list[float], width: float, quantum: float) -> float:
    """Return the variance from rounding that is left in a mean.

    Args:
        squares: of the steps from reading to reading, in digits squared; one at least.
        width: greatest reading minus least.
        quantum: weight of the last digit, in the unit of `width`.
    """
    seen = sum(squares) / (ALLAN_DIVISOR * len(squares))
    if width > 1.5 * quantum:
        place = bisect_left(_SEEN_VARIANCES, seen)
        left = _BIASES[max(place - 1, 0)] if place < _TABLE_STEPS else 0.0
    else:
        left = max(0.25 - seen, 0.0) / 3.0
    return left * quantum * quantum


def digits_apart(before: Sequence[float], after: Sequence[float], quantum: float) -> bool:
    """Return whether two quiet levels of a coarse counter surely differ.

    A rounding error is half a digit at most. So levels whose readings stay on one digit, or
    alternate between two, differ if a digit between them is shown by none of the readings.

    Args:
        before: readings of one level, fractional.
        after: readings of the other.
        quantum: weight of the last digit, in the same unit.
    """
    if min(len(before), len(after)) < FEWEST_QUIET_READINGS:
        return False
    low, high = sorted((before, after), key=min)
    quiet = max(max(level) - min(level) for level in (low, high)) < 1.5 * quantum
    return quiet and min(high) - max(low) > 1.5 * quantum
