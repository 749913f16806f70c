"""Correction of the two- and three-sample deviations for dead time between readings.

Readings with a gate g at every T > g are not contiguous, and the variance of their
differences is not the one at τ = m·g. The ratio of the two follows from the autocovariance
of phase: B2·B3 of Barnes 1969 (NBS TN 375; NIST TN 1318), here for the averaging factor m.
"""

import functools
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray

_LARGEST_FACTOR: Final = 512
"""Averaging factor from which the ratio of FM noises no longer changes."""


@functools.lru_cache(maxsize=256)
def variance_ratio(alpha: int, m: int, r: float, times: int = 2) -> float:
    """Return the variance measured with dead time over that at τ = m·gate without.

    Args:
        alpha: exponent of the noise. For flicker PM, which depends on the bandwidth, and for
            noise redder than random-walk FM the ratio is taken as 1.
        m: readings averaged.
        r: time from reading to reading over gate, at least 1.
        times: 2 for the Allan, 3 for the Hadamard kind.
    """
    if r <= 1 or alpha not in {2, 0, -1, -2}:
        return 1.0
    if alpha == 2:
        # Ends of gates no longer coincide, so that no phase noise cancels between neighbours.
        return (2 / 3 if times == 2 else 3 / 5) * m
    small = min(m, _LARGEST_FACTOR)
    return _variance(alpha, small, r, times) / _variance(alpha, small, 1.0, times)


def _variance(alpha: int, m: int, r: float, times: int) -> float:
    """Variance, up to a factor, of a difference of means of m readings with gate 1."""
    signs = [1.0, -1.0] if times == 2 else [1.0, -2.0, 1.0]
    weights = np.repeat(signs, m) / m
    pairs = np.convolve(weights, weights[::-1])
    lags = r * np.arange(-len(weights) + 1, len(weights), dtype=np.float64)
    covariance = 2 * _phase(alpha, lags) - _phase(alpha, lags + 1) - _phase(alpha, lags - 1)
    return float(np.dot(pairs, covariance))


def _phase(alpha: int, t: FloatArray) -> FloatArray:
    """Generalised autocovariance of phase, up to a factor (Greenhall and Riley 2003)."""
    size = np.abs(t)
    if alpha == 0:
        return -size
    if alpha == -2:
        return size**3
    return np.asarray(size**2 * np.log(np.where(size > 0, size, 1.0)))
