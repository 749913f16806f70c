"""The Allan family over a whole run, from phase, with gaps skipped.

Definitions are those of NIST SP 1065 (Riley 2008), with N phase points and
averaging factor m; variances of frequency are in units of the squared offset.

    adev    Σ (x[i+2m] − 2x[i+m] + x[i])² / 2m²n             i = 0, m, 2m ...
    oadev   the same over every i, n = N − 2m
    mdev    the same of means over m points, n = N − 3m + 1
    tdev    τ mdev / √3
    hdev    Σ (x[i+3m] − 3x[i+2m] + 3x[i+m] − x[i])² / 6m²n  i = 0, m, 2m ...
    ohdev   the same over every i, n = N − 3m
    totdev  adev over the run prolonged by its reflection at both ends, n = N − 2

The sums run over blocks that stay in the processor's cache.
"""

from typing import Final

import numpy as np

from benchwatch.estimate.stability.phase import Phase
from benchwatch.estimate.stability.results import BoolArray, FloatArray, IntArray, Name, order

BLOCK: Final = 1 << 13
"""Points; small enough for the cache, and for dot products that start no threads."""


def variance(name: Name, phase: Phase, m: int, stride: int = 1) -> tuple[float, IntArray]:
    """Return the variance that `name` is the root of, and its terms as lengths of runs.

    Args:
        name: ``tdev`` is given as ``mdev``; the factor τ/√3 is the caller's.
        phase: in units of the interval.
        m: averaging factor.
        stride: take every `stride`-th term only; the kinds that do not overlap take every m-th.

    Returns:
        (nan, no runs) when the run is too short.
    """
    if name == "totdev":
        return _total(phase, m)
    times = order(name)
    modified = name in {"mdev", "tdev"}
    span = 3 * m - 1 if modified else times * m
    if name in {"adev", "hdev"}:
        stride = m
    runs = phase.whole(span, stride)
    n = int(runs.sum())
    if n == 0:
        return float("nan"), runs
    mask = None if phase.gaps is None else phase.mask(span, stride)
    if modified:
        total = _modified_sum(phase.x, m, stride, mask) / m**2
    elif name in {"adev", "hdev"}:
        total = _sum(phase.x[::m], 1, times, 1, mask)
    else:
        total = _sum(phase.x, m, times, stride, mask)
    return total / ((2 if times == 2 else 6) * m**2 * n), runs


def _sum(x: FloatArray, m: int, times: int, stride: int, mask: BoolArray | None) -> float:
    """Sum the squares of the second or third differences of `x` at distance `m`."""
    count = len(x) - times * m
    total = 0.0
    block = max(BLOCK // stride, 1) * stride
    buffer, spare = np.empty(block), np.empty(block)
    for start in range(0, count, block):
        end = min(start + block, count)
        d, t = buffer[: end - start], spare[: end - start]
        if times == 2:
            np.subtract(x[start + 2 * m : end + 2 * m], x[start + m : end + m], out=d)
            np.subtract(x[start + m : end + m], x[start:end], out=t)
            d -= t
        else:
            np.subtract(x[start + 3 * m : end + 3 * m], x[start:end], out=d)
            np.subtract(x[start + m : end + m], x[start + 2 * m : end + 2 * m], out=t)
            t *= 3
            d += t
        chosen = d[::stride]
        if mask is not None:
            chosen = chosen[mask[start // stride : start // stride + len(chosen)]]
        total += float(np.dot(chosen, chosen))
    return total


def _modified_sum(x: FloatArray, m: int, stride: int, mask: BoolArray | None) -> float:
    """Sum the squares of second differences of `x` summed over `m` points.

    The second differences are summed cumulatively, not the phase: their sum stays as small
    as the phase moves in m points, so that nothing is lost by taking differences of it.
    """
    if m == 1:
        return _sum(x, 1, 2, stride, mask)
    count = len(x) - 2 * m
    sums = np.empty(count + 1)
    sums[0] = 0.0
    buffer = np.empty(BLOCK)
    for start in range(0, count, BLOCK):
        end = min(start + BLOCK, count)
        d, out = buffer[: end - start], sums[start + 1 : end + 1]
        np.subtract(x[start + 2 * m : end + 2 * m], x[start + m : end + m], out=out)
        np.subtract(x[start + m : end + m], x[start:end], out=d)
        out -= d
        out[0] += sums[start]
        np.cumsum(out, out=out)
    total = 0.0
    terms = count + 1 - m
    block = max(BLOCK // stride, 1) * stride
    if block > BLOCK:
        buffer = np.empty(block)
    for start in range(0, terms, block):
        end = min(start + block, terms)
        d = buffer[: end - start]
        np.subtract(sums[start + m : end + m], sums[start:end], out=d)
        chosen = d[::stride]
        if mask is not None:
            chosen = chosen[mask[start // stride : start // stride + len(chosen)]]
        total += float(np.dot(chosen, chosen))
    return total


def _total(phase: Phase, m: int) -> tuple[float, IntArray]:
    """Total variance; the stretches between gaps are prolonged each for itself."""
    total, runs = 0.0, []
    for x in phase.segments():
        points = len(x)
        if points < 2 * m + 1:
            continue
        left = 2 * x[0] - x[points - 2 : 0 : -1]
        right = 2 * x[-1] - x[points - 2 : 0 : -1]
        prolonged = np.concatenate((left, x, right))
        first = points - 1 - m
        total += _sum(prolonged[first : first + points - 2 + 2 * m], m, 2, 1, None)
        runs.append(points - 2)
    lengths = np.array(runs, dtype=np.int64)
    n = int(lengths.sum())
    return (total / (2 * m**2 * n) if n else float("nan")), lengths
