"""Short gaps in offsets, filled by the best linear estimate, whose error is known.

A lost reading interrupts the phase that is summed from offsets, and with one reading in a hundred
lost no difference over a thousand readings is left. So a gap of a few readings is filled by
ordinary kriging (Matheron 1963; Cressie, Statistics for Spatial Data, 1993, section 3.2) from the
readings beside it and the variogram of the run itself: the weights sum to one, so the level
doesn't matter, and they suit any noise. The error of the sum over the gap has the variance −aᵀΓa
(a: the contrast of gap and weights, Γ: variogram); it is hardly correlated with sums over times
that are long against the neighbours used, and so is subtracted from the squares of differences
that reach across. No difference reaches across a gap that is longer, that has too few readings
beside it, or across which the level jumped.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray, IntArray

LONGEST_GAP_READINGS: Final = 16
"""Longest gap that is bridged, in readings."""
READINGS_BESIDE: Final = 16
"""Most readings used on either side."""
FEWEST_BESIDE: Final = 4
REACH_READINGS: Final = 64
"""Largest distance of these readings from the gap, in readings."""
JUMP_SDS: Final = 5.0
"""A level that differs by so many standard deviations across the gap is a jump, and the gap is not
filled; but not where one straight line fits both sides, as while an oven comes in."""
RIDGE: Final = 1e-3
"""Part of γ(1) added on the diagonal, so that the variogram of a short run stays solvable."""
VARIOGRAM_READINGS: Final = 1 << 18
"""Most readings from which the variogram is computed."""
VARIOGRAM_PIECES: Final = 16


@dataclass(frozen=True, slots=True, eq=False)
class Bridged:
    """Offsets with their short gaps filled, each array of shape (n,)."""

    values: FloatArray
    """Without nan; 0 in a gap that was not filled."""
    error: FloatArray
    """Variance that each filled reading adds to a sum over it; 0 for the other readings."""
    unbridged: BoolArray
    """Which readings lie in a gap that was not filled."""


def bridge(offset: FloatArray) -> Bridged:
    """Fill the short gaps of `offset`, (n,), nan where missing, any unit."""
    missing = ~np.isfinite(offset)
    values, error = np.where(missing, 0.0, offset), np.zeros(offset.size)
    unbridged = missing.copy()
    edges = np.flatnonzero(np.diff(missing.astype(np.int8), prepend=0, append=0))
    starts, ends = edges[::2], edges[1::2]
    short = (ends - starts <= LONGEST_GAP_READINGS) & (starts > 0) & (ends < offset.size)
    if not short.any():
        return Bridged(values, error, unbridged)
    gamma = _variogram(offset)
    solved: dict[bytes, _Solved | None] = {}
    for start, end in zip(starts[short].tolist(), ends[short].tolist(), strict=True):
        known = _readings_beside(missing, start, end)
        if known is None:
            continue
        key = (known - start).tobytes() + bytes([end - start])
        if key not in solved:
            solved[key] = _solve(gamma, known - start, end - start)
        one = solved[key]
        if one is None:
            continue
        near = offset[known]
        if all(abs(float(jump.weights @ near)) > JUMP_SDS * jump.sd for jump in one.jumps):
            continue
        values[start:end] = one.weights @ near
        error[start:end] = one.variance / (end - start)
        unbridged[start:end] = False
    return Bridged(values, error, unbridged)


@dataclass(frozen=True, slots=True, eq=False)
class _Jump:
    """Estimator of a jump of the level across the gap."""

    weights: FloatArray
    """Weights of the neighbours, whose sum is the jump."""
    sd: float
    """Standard deviation of the jump by noise alone."""


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """Kriging weights for one pattern of gap and neighbours."""

    weights: FloatArray
    """(gap, neighbours)."""
    variance: float
    """Variance of the error of the sum over the gap."""
    jumps: tuple[_Jump, _Jump]
    """From level to level, and from line to line with one slope on both sides."""


def _readings_beside(missing: BoolArray, start: int, end: int) -> IntArray | None:
    """Return the indices of the readings beside the gap; None when there are too few."""
    low, high = max(start - REACH_READINGS, 0), min(end + REACH_READINGS, missing.size)
    before = low + np.flatnonzero(~missing[low:start])[-READINGS_BESIDE:]
    after = end + np.flatnonzero(~missing[end:high])[:READINGS_BESIDE]
    if min(before.size, after.size) < FEWEST_BESIDE:
        return None
    return np.concatenate((before, after))


def _solve(gamma: FloatArray, known: IntArray, length: int) -> _Solved | None:
    """Return the weights for a gap at 0 ... `length` - 1 with readings at `known`."""
    at = np.concatenate((known, np.arange(length)))
    apart = np.abs(at[:, None] - at[None, :])
    pairs = gamma[apart]
    if not np.isfinite(pairs).all():
        return None
    n = known.size
    system = np.zeros((n + 1, n + 1))
    system[:n, :n] = pairs[:n, :n] - RIDGE * gamma[1] * np.eye(n)
    system[n, :n] = system[:n, n] = 1.0
    right = np.vstack((pairs[:n, n:], np.ones(length)))
    weights = np.linalg.lstsq(system, right, rcond=None)[0][:n].T
    contrast = np.concatenate((-weights.sum(axis=0), np.ones(length)))
    variance = max(-float(contrast @ pairs @ contrast), 0.0)
    after = known >= length
    levels: FloatArray = np.column_stack((np.ones(n), after))
    lines: FloatArray = np.column_stack((levels, known))
    jumps = [np.linalg.pinv(columns)[1] for columns in (levels, lines)]
    by_level, by_line = (_Jump(jump, _sd(jump, pairs[:n, :n])) for jump in jumps)
    return _Solved(weights, variance, (by_level, by_line))


def _sd(contrast: FloatArray, gamma: FloatArray) -> float:
    """Return the standard deviation of a sum whose weights add up to 0."""
    return float(np.sqrt(max(-float(contrast @ gamma @ contrast), 0.0)))


def _variogram(offset: FloatArray) -> FloatArray:
    """Return γ(h) = ½ E (y(i+h) − y(i))² at lags 0, 1 ... to the largest between neighbours."""
    farthest = 2 * REACH_READINGS + LONGEST_GAP_READINGS + 1
    pieces = [offset]
    if offset.size > VARIOGRAM_READINGS:
        size = VARIOGRAM_READINGS // VARIOGRAM_PIECES
        first = np.linspace(0, offset.size - size, VARIOGRAM_PIECES).astype(int).tolist()
        pieces = [offset[start : start + size] for start in first]
    totals, counts = np.zeros(farthest), np.zeros(farthest)
    for piece in pieces:
        for lag in range(1, min(farthest, piece.size)):
            d = piece[lag:] - piece[:-lag]
            squares = d * d
            known = np.isfinite(squares)
            totals[lag] += float(squares[known].sum())
            counts[lag] += int(known.sum())
    with np.errstate(invalid="ignore"):
        gamma = 0.5 * totals / counts
    gamma[0] = 0.0
    return np.asarray(gamma)
