"""Limits of a deviation: equivalent degrees of freedom and the χ² interval.

A sum of squares of correlated, normal differences has edf = (Σ_i c0)² / Σ_ij c(i−j)²: twice
the squared mean over the variance (NIST SP 1065), with the autocovariance c of the
differences. c is exact here for noise that is discrete in time: white noise summed 0 to 3 times
(white PM, white FM, random-walk FM, random-run FM), and half-integer sums of it for the
flicker kinds, whose generalised autocovariance is −ψ(|l| + ½)/π (Kasdin 1995; ψ: digamma).
Above an averaging factor of 512, c is scaled from that at 512, which is the same to 1e-5.
"""

import functools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray, IntArray
from benchwatch.estimate.stability.deviation_kinds import DEVIATIONS, LARGEST_ALPHA, DeviationKind
from benchwatch.estimate.stability.total_bias import total_edf

LARGEST_SHAPE_FACTOR: Final = 512
"""Largest averaging factor for which c is computed."""
FARTHEST_LAG: Final = 64
"""Lag, in averaging times, from which on the autocovariance of flicker noise is left out."""

_TOTAL_EDF: Final = {0: (1.50, 0.0), -1: (1.17, 0.22), -2: (0.93, 0.36)}
"""edf of the total kind = b·T/τ − c (SP 1065; Greenhall, Howe and Percival 1999; from memory)."""
_TOTAL_EDF_FROM: Final = 8
"""Averaging factor from which on `_TOTAL_EDF` holds, as a limit for many readings."""


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """The squares of which a deviation is the mean."""

    name: str
    """Name of the deviation."""
    m: int
    """Averaging factor."""
    runs: IntArray
    """Lengths of the runs that no gap interrupts."""
    stride: int = 1
    """Intervals from term to term; for the overlapping kinds."""

    @property
    def kind(self) -> DeviationKind:
        """Return the record of the deviation."""
        return DEVIATIONS[self.name]

    @property
    def count(self) -> int:
        """Count the terms."""
        return int(self.runs.sum())


@dataclass(frozen=True, eq=False)
class _Shape:
    """Autocovariance of the differences, without the factor 1/m² of averaging phase."""

    variance: float
    """c at lag 0."""
    lags: FloatArray
    """Lags in intervals, from 0; some stand for several."""
    weights: FloatArray
    """Number of lags (both signs) that each stands for, times (c / variance)²."""

    @functools.cached_property
    def sums(self) -> tuple[FloatArray, FloatArray]:
        """Sums of the weights, and of lag times weight, over the first 0, 1, 2 ... lags."""
        return _sums(self.weights), _sums(self.lags * self.weights)

    def pairs_in_run(self, length: int, stride: int) -> float:
        """Return Σ weight·(pairs of terms at that lag) in a run of `length` terms.

        There are length − lag/stride pairs at a lag, as far as that is positive; so two sums that
        are known beforehand give it, however many lags there are.
        """
        within = int(np.searchsorted(self.lags, float(length * stride), side="left"))
        weights, moments = self.sums
        return float(length * weights[within] - moments[within] / stride)


def chi2_limits(value: float, edf: float, confidence: float) -> tuple[float, float]:
    """Return the limits between which the true value lies with `confidence` (NIST SP 1065)."""
    half = edf / 2
    from scipy import special  # noqa: PLC0415 - slow; the first reading comes first

    high_quantile, low_quantile = 2 * special.gammaincinv(
        half, [(1 + confidence) / 2, (1 - confidence) / 2]
    )
    high = value * math.sqrt(edf / low_quantile) if low_quantile > 0 else math.inf
    return value * math.sqrt(edf / high_quantile), high


def degrees_of_freedom(terms: Terms, alpha: int | None) -> float:
    """Return the equivalent degrees of freedom of a deviation.

    Args:
        terms: the squares of which the deviation is the mean.
        alpha: exponent of the noise; None for the fewest degrees of freedom that any noise gives.
    """
    kind, m, runs, stride = terms.kind, terms.m, terms.runs, terms.stride
    lowest = kind.lowest_alpha
    if alpha is None:
        noises = range(lowest, LARGEST_ALPHA + 1)
        return min(degrees_of_freedom(terms, known) for known in noises)
    alpha = max(alpha, lowest)
    if kind.reflected and alpha in _TOTAL_EDF and m >= _TOTAL_EDF_FROM:
        b, c = _TOTAL_EDF[alpha]
        length = float(runs.sum() + len(runs))
        return max(b * length / m - c, 1.0)
    if kind.reflected:
        return max(total_edf(alpha, m, runs), 1.0)
    if not kind.overlapping:
        stride = m
    shape = _shape(kind.order, kind.modified, alpha, m, stride)
    if len(runs) == 1:
        length = int(runs[0])
        return float(length) ** 2 / shape.pairs_in_run(length, stride)
    pairs = _pairs(runs, shape.lags / stride)
    # Not a dot product: one this long would start threads for microseconds of work.
    return float(runs.sum()) ** 2 / float((shape.weights * pairs).sum())


def expected_ratio(alpha: int, m: int) -> float:
    """Return MVAR/AVAR at averaging factor `m` for one noise (NIST SP 1065)."""
    small = min(m, LARGEST_SHAPE_FACTOR)
    modified = _shape(2, True, alpha, small, small).variance / small**2
    if alpha == 2:
        return 1.0 / m
    if alpha == 1:
        return modified / _shape(2, False, 1, m, m).variance
    return modified / _shape(2, False, alpha, small, small).variance


def _pairs(runs: IntArray, lags: FloatArray) -> FloatArray:
    """Count the pairs of terms at each lag that lie in the same run of several."""
    lengths = np.sort(runs).astype(np.float64)
    above = np.searchsorted(lengths, lags, side="right")
    tail = np.concatenate((np.cumsum(lengths[::-1])[::-1], [0.0]))
    return tail[above] - lags * (len(lengths) - above)


def _sums(values: FloatArray) -> FloatArray:
    """Return the sums of the first 0, 1, 2 ... of the values."""
    return np.concatenate(([0.0], np.cumsum(values)))


@functools.lru_cache(maxsize=128)
def _shape(times: int, modified: bool, alpha: int, m: int, stride: int) -> _Shape:
    if alpha > 0 and not modified:
        return _phase_shape(times, alpha, m, stride)
    small = min(m, LARGEST_SHAPE_FACTOR)
    scale = m / small
    c = _summed_autocovariance(times, modified, alpha, small)
    step = max(round(stride / scale), 1)
    lags = np.arange(0, len(c), step)
    distance: FloatArray = scale * lags.astype(np.float64)
    worth = step * scale / stride
    weights = np.full(len(lags), 2.0 * worth)
    weights[0] = worth
    weights *= (c[lags] / c[0]) ** 2
    return _Shape(float(c[0]), distance, weights)


def _phase_shape(times: int, alpha: int, m: int, stride: int) -> _Shape:
    """Differences of white or flicker phase noise, which have peaks at the multiples of m."""
    binomial = np.array([math.comb(2 * times, k) * (-1) ** k for k in range(2 * times + 1)])
    signs = binomial * (-1) ** times
    if alpha == 2:
        at = np.arange(times + 1)
        c = signs[times:].astype(np.float64)
        here = (at * m) % stride == 0
        weights = np.where(at == 0, 1.0, 2.0)
        return _Shape(float(c[0]), at[here] * float(m), (weights * (c / c[0]) ** 2)[here])
    lags, worth = _peaked_lags(m, stride, times)
    c = np.zeros(len(lags))
    for k, sign in zip(range(-times, times + 1), signs, strict=True):
        c += sign * _flicker(lags - k * m)
    return _Shape(float(c[0]), lags, worth * (c / c[0]) ** 2)


def _peaked_lags(m: int, stride: int, times: int) -> tuple[FloatArray, FloatArray]:
    """Return lags that are dense at the multiples of m, and how many each stands for."""
    farthest = 16 * m // stride
    if farthest <= 16 * LARGEST_SHAPE_FACTOR:
        lags = np.arange(farthest + 1, dtype=np.float64)
    else:
        dense = [k * m // stride + np.arange(-256, 257) for k in range(times + 1)]
        coarse = np.arange(0, farthest + 1, max(m // stride // LARGEST_SHAPE_FACTOR, 1))
        lags = np.unique(np.concatenate([coarse, *dense]))
        lags = lags[lags >= 0].astype(np.float64)
    edges = np.concatenate(([0.5], (lags[1:] + lags[:-1]) / 2, [lags[-1] + 0.5]))
    worth = 2.0 * np.diff(edges)
    worth[0] = 1.0 if len(lags) < 2 or lags[1] == 1 else 2.0 * edges[1]
    return lags * stride, worth


def _summed_autocovariance(times: int, modified: bool, alpha: int, m: int) -> FloatArray:
    """Return c at lags 0, 1, ... of differences of noise that is summed from a driver."""
    summed = (2 - alpha) // 2
    h = np.ones(1)
    for _ in range(times + modified):
        h = np.convolve(h, np.ones(m))
    for _ in range(times - summed):
        h = np.convolve(h, [1.0, -1.0])
    r = np.convolve(h, h[::-1])
    if alpha % 2 == 0:
        return r[len(h) - 1 :]
    farthest = FARTHEST_LAG * m
    reach = len(h) - 1
    driver = _flicker(np.arange(-reach, farthest + reach + 1))
    size = 1 << (len(driver) + len(r)).bit_length()
    c = np.fft.irfft(np.fft.rfft(r, size) * np.fft.rfft(driver, size), size)
    return c[2 * reach : 2 * reach + farthest + 1]


def _flicker(lags: FloatArray | IntArray) -> FloatArray:
    """Return the generalised autocovariance of flicker noise, −ψ(|l| + ½)/π."""
    from scipy import special  # noqa: PLC0415 - slow; the first reading comes first

    return -special.psi(np.abs(lags) + 0.5) / np.pi
