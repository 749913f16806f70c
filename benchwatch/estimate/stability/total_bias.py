"""The expected ratio of the total variance to the Allan variance, and its degrees of freedom.

The total variance is the mean of squares of second differences of a run that is prolonged by its
own reflection at both ends. Each difference is a contrast of measured phases, so its expectation
follows exactly from the generalised autocovariance of the phase (Greenhall and Riley 2003), which
obeys 2g(t) − g(t+1) − g(t−1) = c(t) with c that of the noise that is summed. The published biases
are its limits for many readings, −0.481 τ/T for flicker and −0.750 τ/T for random-walk FM, none
for white FM (Greenhall, Howe and Percival 1999; NIST SP 1065, 5.2.11; from memory, and found again
by the computation). For phase noise nothing is published: white phase noise reads high, for the
reflected part repeats the end points.

Long runs are computed at 256 points with the same τ/T, which changes the ratio by less than 1e-2.
"""

import functools
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray, IntArray

MOST_POINTS: Final = 256
"""Most phase points in the computation."""
LINEAR_BELOW_FACTOR: Final = 8
"""Averaging factor below which the ratio of a scaled run is taken as linear in τ/T."""


def total_bias(alpha: int, m: int, runs: IntArray) -> float:
    """Return the expected total variance over the Allan variance.

    Args:
        alpha: exponent of the noise, 2 to −2.
        m: averaging factor.
        runs: terms of each unbroken stretch, two less than its phase points.
    """
    lengths, counts = np.unique(runs + 2, return_counts=True)
    terms = (lengths - 2) * counts
    ratios = [_ratio(alpha, m, points) for points in lengths.tolist()]
    return float(np.dot(ratios, terms) / terms.sum())


def total_edf(alpha: int, m: int, runs: IntArray) -> float:
    """Return the equivalent degrees of freedom, those of stretches added up; see `total_bias`."""
    lengths, counts = np.unique(runs + 2, return_counts=True)
    found = [_edf(alpha, m, points) for points in lengths.tolist()]
    return float(np.dot(found, counts))


def _ratio(alpha: int, m: int, points: int) -> float:
    if points <= MOST_POINTS:
        return _moments(alpha, m, points)[0]
    scaled = m * MOST_POINTS / points
    factor = max(round(scaled), LINEAR_BELOW_FACTOR)
    return 1.0 + (_moments(alpha, factor, MOST_POINTS)[0] - 1.0) * scaled / factor


def _edf(alpha: int, m: int, points: int) -> float:
    if points <= MOST_POINTS:
        return _moments(alpha, m, points)[1]
    scaled = m * MOST_POINTS / points
    factor = max(round(scaled), 1)
    edf = _moments(alpha, factor, MOST_POINTS)[1] * factor / scaled
    # Differences of white phase noise are independent, so their number counts.
    return edf * (points / MOST_POINTS if alpha == 2 else 1.0)


@functools.lru_cache(maxsize=512)
def _moments(alpha: int, m: int, points: int) -> tuple[float, float]:
    """Return the ratio and the edf of one stretch, exactly."""
    weights = _contrasts(m, points)
    phase = _phase_covariance(alpha, points + m)
    inside = 6.0 * phase[0] - 8.0 * phase[m] + 2.0 * phase[2 * m]
    at = np.arange(points)
    covariance = weights @ phase[np.abs(at[:, None] - at[None, :])] @ weights.T
    squares = np.diagonal(covariance)
    edf = float(squares.sum()) ** 2 / float((covariance**2).sum())
    return float(squares.mean()) / float(inside), edf


def _contrasts(m: int, points: int) -> FloatArray:
    """Return the weights of the measured phases in each second difference, (points − 2, points)."""
    last = points - 1
    middle = np.arange(1, last)
    weights = np.zeros((points - 2, points))
    row = np.arange(points - 2)
    np.add.at(weights, (row, middle), -2.0)
    for at in (middle - m, middle + m):
        before, after = at < 0, at > last
        inside = ~(before | after)
        np.add.at(weights, (row[inside], at[inside]), 1.0)
        np.add.at(weights, (row[before], np.zeros(before.sum(), dtype=int)), 2.0)
        np.add.at(weights, (row[before], -at[before]), -1.0)
        np.add.at(weights, (row[after], np.full(after.sum(), last)), 2.0)
        np.add.at(weights, (row[after], 2 * last - at[after]), -1.0)
    return weights


@functools.lru_cache(maxsize=16)
def _phase_covariance(alpha: int, size: int) -> FloatArray:
    """Return the generalised autocovariance of phase at lags 0 ... 2·`size`."""
    from scipy import special  # noqa: PLC0415 - slow; the first reading comes first

    lags = np.arange(2 * size + 1, dtype=np.float64)
    found = -special.psi(lags + 0.5) / np.pi if alpha % 2 else np.where(lags == 0, 1.0, 0.0)
    for _ in range((2 - alpha) // 2):
        # g(0) is free: contrasts don't see a constant.
        slopes = np.concatenate(([-found[0] / 2.0], -found[1:-1]))
        found = np.concatenate(([0.0], np.cumsum(np.cumsum(slopes))))
    return np.asarray(found)
