"""The ageing rate of a unit over the intervals between its visits, with the scatter between them.

The changes d over intervals of lengths τ are taken as r·τ with the errors of the records and a
random walk, which is the linear law of the forecast (`interval_ageing`):

    covariance of d: K = D·C·Dᵀ + e²·s²·V + w²·diag(τ)

with the same grid of walks w and errors e of a visit. For each of them generalised least squares
gives r and its variance (Draper and Smith, Applied Regression Analysis, 9.1); with a flat prior on
r each is weighted by its likelihood, r integrated out (Rasmussen and Williams, Gaussian Processes
for Machine Learning, 2.7). The rate and its u are mean and standard deviation of the mixture. So
intervals that differ by more than their records' errors explain, because the unit wanders or its
ageing slows down, give a u that says so. One interval has no scatter: its u counts the records.

On made units with 2 to 7 intervals (those of `interval_ageing`) rate ± 2·u held the mean ageing
over the visits in 0.94 to 1.00 of 300 units of each kind, with the errors alone in 0.17 to 0.29
where the law is logarithmic or there is a walk (``test_quality_visit_history``).
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.estimate.ageing.interval_errors import MOST_INTERVALS, IntervalErrors
from benchwatch.estimate.ageing.interval_hypotheses import (
    AMOUNTS,
    NO_WALK_PRIOR,
    ROUNDING_SHARE,
    VISIT_ERRORS,
)
from benchwatch.estimate.ageing.visit_history import YEAR_DAYS, VisitHistory
from benchwatch.estimate.array_types import FloatArray

LEAST_LENGTH_SHARE: Final = 1e-9
"""An interval is taken as at least this share of all in the walk."""

LARGEST_WALK: Final = 1.8
"""Largest walk over all intervals, in units of that by which they differ; it is never less than
the largest change."""
ABOVE_ONE: Final = 1.01
"""The walks of the grid are up to 1, with room for rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanRate:
    """Ageing rate over all intervals, fraction a year, with its standard uncertainty."""

    per_year: float
    u: float
    intervals: int
    counts_scatter: bool
    """Whether `u` counts the scatter between the intervals; else the measurement only."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Changes:
    """The changes of a history with what is needed to fit them; fractions, years."""

    years: FloatArray
    changes: FloatArray
    errors: IntervalErrors


def mean_rate(history: VisitHistory) -> MeanRate | None:
    """Return the rate that fits all intervals best if the unit ages linearly.

    Returns:
        None where there is no interval, or a record's u is not known.
    """
    seen = _changes_of(history)
    if seen is None:
        return None
    if seen.changes.size == 1:
        return rate_by_errors(history)
    among = {error: seen.errors.among(error) for error, _ in VISIT_ERRORS}
    share = np.maximum(seen.years / seen.years.sum(), LEAST_LENGTH_SHARE)
    largest = max(
        float(np.abs(seen.changes).max()),
        float(np.abs(np.cumsum(seen.changes)).max()),
        math.sqrt(float(np.diagonal(among[0.0]).max())),
        LARGEST_WALK * _scatter(seen.changes, share),
    )
    amounts = AMOUNTS[AMOUNTS < ABOVE_ONE]
    walks = [(0.0, NO_WALK_PRIOR)]
    walks += [(float(one) ** 2, (1.0 - NO_WALK_PRIOR) / amounts.size) for one in amounts]
    found = []
    for error, error_prior in VISIT_ERRORS:
        scaled = among[error] / largest**2 + ROUNDING_SHARE**2 * np.eye(share.size)
        for walk, prior in walks:
            one = _fitted(scaled + walk * np.diag(share), seen.years, seen.changes / largest)
            found.append((one[0], one[1], one[2] + math.log(prior * error_prior)))
    rates, variances, log_weights = map(np.array, zip(*found, strict=True))
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    rate = float(weights @ rates)
    variance = float(weights @ (variances + (rates - rate) ** 2))
    return MeanRate(
        per_year=rate * largest,
        u=math.sqrt(variance) * largest,
        intervals=seen.changes.size,
        counts_scatter=True,
    )


def _scatter(changes: FloatArray, share: FloatArray) -> float:
    """Return the walk over all intervals that makes equal ones differ as these changes do."""
    left = changes - changes.sum() * share
    return math.sqrt(float(left @ left) * share.size / (share.size - 1))


def rate_by_errors(history: VisitHistory) -> MeanRate | None:
    """Return the rate by generalised least squares with the errors of the records alone.

    Returns:
        None where there is no interval, or a record's u is not known.
    """
    seen = _changes_of(history)
    if seen is None:
        return None
    size = seen.errors.typical
    rate, variance, _ = _fitted(seen.errors.among(0.0) / size**2, seen.years, seen.changes / size)
    return MeanRate(
        per_year=rate * size,
        u=math.sqrt(variance) * size,
        intervals=seen.changes.size,
        counts_scatter=False,
    )


def _changes_of(history: VisitHistory) -> _Changes | None:
    """Return the changes; None where there is none, or a record's u is not known."""
    intervals, newest = history.intervals[-MOST_INTERVALS:], history.newest
    if newest is None or any(one.u is None for one in intervals):
        return None
    if not any(one.days > 0 for one in intervals):
        return None
    errors = IntervalErrors(intervals, newest, 0.0)
    if not errors.typical > 0:
        return None
    return _Changes(
        years=np.array([one.days / YEAR_DAYS for one in intervals]),
        changes=np.array([one.change for one in intervals]),
        errors=errors,
    )


def _fitted(
    among: FloatArray, years: FloatArray, changes: FloatArray
) -> tuple[float, float, float]:
    """Return the rate, its variance and the log likelihood with the rate integrated out.

    r = (τᵀ·K⁻¹·d)/(τᵀ·K⁻¹·τ) and u² = 1/(τᵀ·K⁻¹·τ), K the covariance `among` of the changes.
    """
    root = np.linalg.cholesky(among)
    length, change = np.linalg.solve(root, np.column_stack((years, changes))).T
    precision = float(length @ length)
    rate = float(length @ change) / precision
    left = change - rate * length
    log_det = 2.0 * float(np.log(np.diagonal(root)).sum())
    return rate, 1.0 / precision, -0.5 * (log_det + math.log(precision) + float(left @ left))
