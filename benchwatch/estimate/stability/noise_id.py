"""Identifies the power-law noise that dominates at an averaging time."""

import math
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.stability.confidence import expected_ratio
from benchwatch.estimate.stability.phase_data import Phase

FEWEST_POINTS: Final = 30
"""Points below which the noise is not identified (Riley and Greenhall 2004)."""
MOST_DIFFERENCINGS: Final = 3
"""How often the phase is differenced at most."""
BLOCK_POINTS: Final = 1 << 13
"""Points that are worked on at once."""
SHORTEST_RUN_TAUS: Final = 20
"""Averaging times that a run must hold for MVAR/AVAR to identify the noise; with half as many it is
right for flicker FM one time in two."""


def lag1_alpha(phase: Phase, deepest: int = MOST_DIFFERENCINGS) -> float | None:
    """Estimate α of S_y(f) ~ f^α at averaging factor 1 from the lag-1 autocorrelation.

    Riley and Greenhall 2004: r1 of the phase less a parabola; δ = r1/(1 + r1); while δ ≥ ¼ the
    data are differenced once more; α = 2 − 2(δ + d) after d differences. Stretches between
    gaps are pooled.

    Returns:
        None when no stretch has 30 points, or the phase does not move.
    """
    stretches = [_without_parabola(x) for x in phase.segments() if len(x) >= FEWEST_POINTS]
    for d in range(deepest + 1):
        if d:
            stretches = [_differences(x) for x in stretches]
        products = [_products(x) for x in stretches]
        power = sum(square for square, _ in products)
        if not power > 0:
            return None
        r1 = sum(lagged for _, lagged in products) / power
        delta = r1 / (1 + r1)
        if delta < 0.25 or d == deepest:
            return 2 - 2 * (delta + d)
    return None


def ratio_alpha(mvar: float, avar: float, m: int) -> int | None:
    """Identify α, 2 to −2, from MVAR/AVAR at an averaging factor above 1.

    The bounds are the geometric means of what neighbouring noises would give.
    """
    if not (mvar > 0 and avar > 0) or m < 2:
        return None
    ratio = mvar / avar
    for alpha in (2, 1, 0, -1):
        if ratio < math.sqrt(expected_ratio(alpha, m) * expected_ratio(alpha - 1, m)):
            return alpha
    return -2


def _differences(x: FloatArray) -> FloatArray:
    """Replace n values by the differences of neighbours, in place; return these, (n - 1,)."""
    for start in range(0, len(x) - 1, BLOCK_POINTS):
        end = min(start + BLOCK_POINTS, len(x) - 1)
        x[start:end] = x[start + 1 : end + 1] - x[start:end]
    return x[:-1]


def _products(x: FloatArray) -> tuple[float, float]:
    """Return the sums of squares and of products of neighbours, of values less their mean."""
    mean, square, lagged = x.mean(), 0.0, 0.0
    for start in range(0, len(x), BLOCK_POINTS):
        part = x[start : start + BLOCK_POINTS + 1] - mean
        own = part[:BLOCK_POINTS]
        square += float(np.dot(own, own))
        lagged += float(np.dot(part[1:], part[:-1]))
    return square, lagged


def _without_parabola(x: FloatArray) -> FloatArray:
    """Subtract the least-squares parabola (Legendre polynomials), in blocks: runs may be long."""
    n = len(x)
    gram, product = np.zeros((3, 3)), np.zeros(3)
    for start in range(0, n, BLOCK_POINTS):
        basis = _polynomials(n, start)
        gram += basis.T @ basis
        product += basis.T @ x[start : start + BLOCK_POINTS]
    coefficients = np.linalg.solve(gram, product)
    left = x.copy()
    for start in range(0, n, BLOCK_POINTS):
        left[start : start + BLOCK_POINTS] -= _polynomials(n, start) @ coefficients
    return left


def _polynomials(n: int, start: int) -> FloatArray:
    """Return the first three Legendre polynomials over a part of n points from -1 to 1."""
    t = np.arange(start, min(start + BLOCK_POINTS, n)) * (2.0 / (n - 1)) - 1.0
    return np.stack((np.ones_like(t), t, 1.5 * t**2 - 0.5), axis=1)
