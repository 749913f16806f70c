"""Forecast of the change of the offset within the horizon, with its standard uncertainty.

A warming oven is a sum of exponentials, a drifting one a line, and a nudge a step. All of them are
fitted to the recent readings together: a level, a line, exponentials over a grid of time
constants and one step for each nudge, with white and flicker FM as the noise. Level, line and
steps are free. The prior size of each exponential is found from the readings: it starts as large as
the motion that was seen, shrinks for all but the few exponentials that the readings need, and never
falls below a change that matters. Curves that the readings can't tell apart all stay possible, and
widen the uncertainty of the forecast: at the turning point of an overshoot, or while a drift
cancels a tail, the slope is zero but the forecast change is not. With one wide prior for all
exponentials, the uncertainty shrinks so slowly that verdicts come 350 s late in the median, and the
later the more readings are used.

Generalised least squares with prior variances: Rasmussen and Williams, Gaussian Processes for
Machine Learning, section 2.7 (explicit basis functions), equations 2.41 and 2.42. Prior
variances from the evidence: Tipping (2001), Sparse Bayesian learning and the relevance vector
machine, Journal of Machine Learning Research 1, 211-244, section 2.3 and appendix A.
"""

import functools
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.settle.fitted_cycle import FittedCycle
from benchwatch.estimate.settle.noise_model import NoiseModel

TIME_CONSTANT_HORIZONS: Final = 2.0 ** np.arange(-4.0, 3.0, 0.5)
"""Time constants of the exponentials, in horizons."""
LARGEST_HALF_BLOCK: Final = 30.0
"""Largest half block, in time constants; far above, the start of an exponential overflows."""
HORIZONS: Final = np.array([1.0 / 3.0, 2.0 / 3.0, 1.0, 2.0, 4.0, 64.0])
"""Times for which the change is forecast, in horizons; at the last only the line is left."""
FIRST_PRIOR_SD: Final = 0.45
"""Prior sd of each exponential at first, as a multiple of the range of the offset plus limit."""
LEAST_PRIOR_SD: Final = 0.6
"""Least prior sd of each exponential, in limits: one that was not seen may still be there."""
PRIOR_ITERATIONS: Final = 5
"""Iterations of the prior; in the first half of them it moves only half way."""


@dataclass(frozen=True, slots=True)
class ChangeForecast:
    """Change of the offset from now to each of `HORIZONS`, with its u; fractional, (6,) each."""

    change: FloatArray
    u: FloatArray
    misfit: float
    """Reduced chi-square, 1 at least; `u` is multiplied by its root."""


def forecast_change(
    blocks: FloatArray,
    now: float,
    *,
    horizon_s: float,
    scale: float,
    noise: NoiseModel,
    interval_s: float,
    steps: tuple[float, ...] = (),
    cycle: FittedCycle | None = None,
) -> ChangeForecast:
    """Fit the readings and extrapolate the fit.

    Args:
        blocks: rows of mean times (s), means (fractional) and numbers of readings, oldest first.
        now: time at which the forecast starts, s.
        horizon_s: horizon of the verdict; the forecast times are multiples of it.
        scale: a change that matters (fractional): exponentials of this size may always be there.
        noise: of the readings.
        interval_s: from one reading to the next.
        steps: times of nudges, s; each block lies wholly before or after a nudge.
        cycle: fitted beside the rest; its own change is not in the forecast.
    """
    age = (blocks[0] - now) / horizon_s
    width = blocks[2] * (interval_s / horizon_s)
    offset = blocks[1] - blocks[1, -1]
    first = age[0]
    waves = (
        np.empty((len(age), 0)) if cycle is None else _cycle_columns(cycle, age, width, horizon_s)
    )
    free = 2 + len(steps) + waves.shape[1]
    size = free + len(TIME_CONSTANT_HORIZONS)
    basis = np.empty((len(age), size + 1))
    basis[:, 0] = 1.0
    basis[:, 1] = age
    rate = 1.0 / TIME_CONSTANT_HORIZONS
    half = np.multiply.outer(width, rate) / 2.0
    # The mean of an exponential over a block is its value at the middle times sinh(h)/h, for large
    # h e^h/2h. One that decays within a small part of the first block is scaled down.
    inner = np.minimum(half, LARGEST_HALF_BLOCK)
    excess = half[0] - inner[0]
    middle = np.multiply.outer(first - age, rate) + (half - inner - excess)
    basis[:, free:size] = np.exp(middle) * np.sinh(inner) / half
    for column, step in enumerate(steps, start=2):
        basis[:, column] = blocks[0] >= step
    basis[:, 2 + len(steps) : free] = waves
    basis[:, -1] = offset
    ahead = np.zeros((size, len(HORIZONS)))
    ahead[1] = HORIZONS
    decay = np.exp(first * rate - excess)
    ahead[free:] = decay[:, None] * np.expm1(-np.multiply.outer(rate, HORIZONS))
    floor = (1e-6 * scale) ** 2
    white = noise.white / (width * horizon_s) + floor
    if noise.flicker > 0.0:
        whitened = np.linalg.solve(
            np.linalg.cholesky(_covariance(age, width, white, noise.flicker)), basis
        )
    else:
        whitened = basis / np.sqrt(white)[:, None]
    widest = FIRST_PRIOR_SD * (_largest_range(blocks, offset, steps) + scale)
    return _solve(whitened, ahead, widest, LEAST_PRIOR_SD * scale, len(age) - 2 - free)


def _cycle_columns(
    cycle: FittedCycle, age: FloatArray, width: FloatArray, horizon_s: float
) -> FloatArray:
    """Return the columns of a cycle, (n, 6): two harmonics, derivatives by rate and decay."""
    rate = 2.0 * np.pi * horizon_s / cycle.period_s
    swell = np.exp(np.minimum(cycle.decay_per_s * horizon_s * (age[0] - age), 0.0))
    columns = []
    for order in (1.0, 2.0):
        # The mean of a cosine over a block is its value at the middle times sin(h)/h.
        size = swell * np.sinc(order * rate * width / (2.0 * np.pi))
        columns += [np.cos(order * rate * age) * size, np.sin(order * rate * age) * size]
    columns += [columns[0] * age, columns[1] * age]
    return np.array(columns).T


def _largest_range(blocks: FloatArray, offset: FloatArray, steps: tuple[float, ...]) -> float:
    """Return the largest range of the offset between two nudges."""
    if not steps:
        return float(offset.max() - offset.min())
    ends = [0, *blocks[0].searchsorted(steps).tolist(), len(offset)]
    parts = [offset[a:b] for a, b in pairwise(ends) if b > a]
    return max(float(part.max() - part.min()) for part in parts)


def _covariance(
    age: FloatArray, width: FloatArray, white: FloatArray, flicker: float
) -> FloatArray:
    """Return white noise on the diagonal plus flicker FM, which falls with log distance, (n, n)."""
    distance = np.abs(np.subtract.outer(age, age))
    distance += 0.1 * np.add.outer(width, width)
    # Flicker FM of Allan variance v has E(y(t+s) - y(t))² growing as v/ln 2 · ln s; any
    # constant may be added, as the level is free.
    covariance: FloatArray = (flicker / (2.0 * np.log(2.0))) * (30.0 - np.log(distance))
    covariance.flat[:: len(age) + 1] += white
    return covariance


def _upper_factor(columns: FloatArray) -> FloatArray:
    """Return the upper triangular factor of a QR decomposition, a square of as many columns."""
    size = columns.shape[1]
    # The raw form takes half the time of mode "r".
    factor = np.linalg.qr(columns, mode="raw")[0].T[:size]
    return np.asarray(factor * _upper_ones(size), dtype=np.float64)


@functools.lru_cache(maxsize=64)
def _upper_ones(size: int) -> FloatArray:
    """Return ones on and above the diagonal, zeros below, (size, size)."""
    return np.triu(np.ones((size, size)))


def _solve(
    columns: FloatArray, ahead: FloatArray, widest: float, least: float, freedom: int
) -> ChangeForecast:
    """Return the forecast change and its u by least squares, with the prior found by iteration.

    The columns are never multiplied with each other: for a warm-up a million times its noise, the
    residuals would be lost in the rounding of the products. The free columns are eliminated once,
    so that only the exponentials are decomposed again for each prior.

    Args:
        columns: weighted; first the free ones, then the exponentials, last the offset.
        ahead: change of each column at each forecast time.
        widest: prior sd of the exponentials at the start.
        least: least prior sd of the exponentials.
        freedom: degrees of freedom of the residuals.
    """
    seen, size = columns.shape[0], columns.shape[1] - 1
    count = len(TIME_CONSTANT_HORIZONS)
    free = size - count
    # A free column that is zero in all blocks would make the system singular.
    norms = np.sqrt((columns[:, :size] ** 2).sum(axis=0))
    rows = max(seen + free, size + 1)
    whole = np.zeros((rows, size + 1))
    whole[:seen] = columns
    diagonal = np.arange(free)
    whole[seen + diagonal, diagonal] = 1e-9 * np.maximum(norms[:free], norms.max() * 1e-9)
    triangle = _upper_factor(whole)
    left = count + 1
    system = np.zeros((left + count, left))
    system[:left] = triangle[free:, free:]
    own = np.einsum("ii->i", system[left:, :count])
    prior = np.full(count, widest**2)
    for iteration in range(PRIOR_ITERATIONS + 1):
        own[:] = 1.0 / np.sqrt(prior)
        solved = _upper_factor(system)
        if iteration == PRIOR_ITERATIONS:
            break
        inverse = np.linalg.inv(solved[:count, :count])
        square = (inverse @ solved[:count, count]) ** 2
        variance = (inverse**2).sum(axis=1)
        determined = np.minimum(np.maximum(1.0 - variance / prior, 1e-3), 1.0)
        closer = square / determined
        if 2 * iteration < PRIOR_ITERATIONS:
            closer = np.sqrt(np.maximum(closer, least**2) * (square + variance))
        prior = np.maximum(closer, least**2)
    triangle[free:, free:] = solved
    inverse = np.linalg.inv(triangle[:size, :size])
    change = ahead.T @ (inverse @ triangle[:size, size])
    spread = ((ahead.T @ inverse) ** 2).sum(axis=1)
    # Residuals larger than the noise show that the fit does not follow the readings.
    misfit = max(1.0, float(solved[count, count]) ** 2 / max(freedom, 1))
    return ChangeForecast(change, np.sqrt(spread * misfit), misfit)
