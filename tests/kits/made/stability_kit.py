"""Series for the stability tests: those of the handbooks, and made noise of each kind."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

NINE = np.array([892.0, 809, 823, 798, 671, 644, 883, 903, 677])
"""NBS Monograph 140, annex 8.E."""


def handbook(count: int = 1000, seed: int = 1234567890) -> FloatArray:
    """Return the test series of NIST SP 1065, section 12.

    n(i+1) = 16807 n(i) mod 2147483647; each value is n(i) / 2147483647.
    """
    values = []
    for _ in range(count):
        values.append(seed / 2147483647)
        seed = 16807 * seed % 2147483647
    return np.array(values)


@lru_cache(maxsize=2)
def half_sum(points: int, size: int) -> NDArray[np.complex128]:
    """Return the spectrum of the weights of a half-integer sum."""
    k = np.arange(1, points)
    return np.fft.rfft(np.concatenate(([1.0], np.cumprod((k - 0.5) / k))), size)


def made_phase(alpha: int, points: int, rng: np.random.Generator) -> FloatArray:
    """Make phase whose frequency has the spectrum f^alpha (Kasdin 1995, fractional differences).

    The innovations have unit variance. Half-integer sums begin four lengths before the series.
    """
    white = rng.normal(size=points)
    if alpha % 2:
        long = rng.normal(size=5 * points)
        size = 1 << (10 * points).bit_length()
        flicker = np.fft.irfft(np.fft.rfft(long, size) * half_sum(5 * points, size), size)
        white = flicker[4 * points : 5 * points]
    for _ in range((2 - alpha) // 2):
        white = np.cumsum(white)
    return np.asarray(white)
