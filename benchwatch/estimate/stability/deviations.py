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

The sums of squares are those of `estimate.variances`.
"""

from typing import Final

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray, IntArray
from benchwatch.estimate.sample_variances import ALLAN_DIVISOR, DIVISORS, sum_of_squares
from benchwatch.estimate.stability.deviation_kinds import DEVIATIONS
from benchwatch.estimate.stability.phase_data import Phase, run_lengths

LARGEST_ERROR_SHARE: Final = 0.3
"""Largest share of a variance by the errors of bridges; above it, the variance is not given."""
_ADDED_AT_ONCE: Final = 1 << 14
WEIGHT_OF_MODIFIED: Final = {2: 1.0 / 2.0, 3: 4.0 / 9.0}
"""Squared weights of readings in a difference of the modified kind over those of the plain
one, by its order: m against 2m, 8m/3 against 6m (the weights are ramps of length m)."""


class WindowSums:
    """Sums of phase over windows, stored from one averaging factor to the next.

    Doubling a window takes one addition a point, which is all that factors in octaves need.
    """

    def __init__(self, phase: Phase) -> None:
        self._x = phase.x
        self._m = 1
        self._sums = phase.x

    def over(self, m: int) -> FloatArray:
        """Return the sums over `m` points, (N − m + 1,); they hold until the next call."""
        if m % self._m:
            self._m, self._sums = 1, self._x
        while 2 * self._m <= m and m % (2 * self._m) == 0:
            if self._sums is self._x:
                self._sums = self._x[: -self._m] + self._x[self._m :]
            else:
                self._sums = _add_shifted(self._sums, self._m)
            self._m *= 2
        times = m // self._m
        if times == 1:
            return self._sums
        # The remaining factor is not a power of two: add up the powers of two of which it consists.
        power, width = self._sums, self._m
        total, reached = power, width
        times //= 2
        while times:
            power = power[:-width] + power[width:]
            width *= 2
            if times % 2:
                total = total[: len(total) - width] + power[reached:]
                reached += width
            times //= 2
        return total


def _add_shifted(values: FloatArray, m: int) -> FloatArray:
    """Add to each of n values the one `m` places on, in place; return these sums, (n − m,)."""
    count = max(len(values) - m, 0)
    for start in range(0, count, _ADDED_AT_ONCE):
        end = min(start + _ADDED_AT_ONCE, count)
        values[start:end] += values[start + m : end + m]
    return values[:count]


def variance(
    name: str, phase: Phase, m: int, stride: int = 1, sums: WindowSums | None = None
) -> tuple[float, IntArray]:
    """Return the variance whose root is a deviation, and its terms as lengths of runs.

    Args:
        name: of a deviation; a time deviation's factor τ/√3 is not applied here.
        phase: in units of the interval.
        m: averaging factor.
        stride: take every `stride`-th term only; the kinds that do not overlap take every m-th.
        sums: of this phase, to share the work of the modified kind among averaging factors.

    Returns:
        (nan, no runs) when the run is too short.
    """
    kind = DEVIATIONS[name]
    if kind.reflected:
        return _total(phase, m)
    order, span = kind.order, kind.span(m)
    if not kind.overlapping:
        stride = m
    across = phase.bridged(m, order, span)
    mask = None if across is None else across[::stride]
    runs = phase.whole(span, stride) if mask is None else run_lengths(mask)
    n = int(runs.sum())
    if n == 0:
        return float("nan"), runs
    if mask is None and phase.gaps is not None:
        mask = phase.mask(span, stride)
    if kind.modified:
        averaged = (sums or WindowSums(phase)).over(m)
        total = sum_of_squares(averaged, m, order, stride, mask) / m**2
    elif not kind.overlapping:
        total = sum_of_squares(phase.x[::m], 1, order, 1, mask)
    else:
        total = sum_of_squares(phase.x, m, order, stride, mask)
    if across is not None and mask is not None:
        error = _error(phase, m, order, stride, mask)
        error *= WEIGHT_OF_MODIFIED[order] if kind.modified else 1.0
        if error > LARGEST_ERROR_SHARE * total:
            return float("nan"), runs[:0]
        total -= error
    return total / (DIVISORS[order] * m**2 * n), runs


def _error(phase: Phase, m: int, times: int, stride: int, mask: BoolArray) -> float:
    """Return the expected sum that the errors of bridges add to the squares of differences."""
    assert phase.bridges is not None
    error = phase.bridges.error
    over = error[m:] - error[: len(error) - m]
    weights = (1.0, 1.0) if times == 2 else (1.0, 4.0, 1.0)
    length = len(mask) * stride
    total = 0.0
    for k, weight in enumerate(weights):
        part = over[k * m : k * m + length : stride][: len(mask)]
        total += weight * float(part[mask[: len(part)]].sum())
    return total


def _total(phase: Phase, m: int) -> tuple[float, IntArray]:
    """Return the total variance and its terms; each stretch between gaps is reflected by itself."""
    total, runs = 0.0, []
    across = phase.bridged(m, 2, 2 * m, whole=True)
    for x in phase.segments(bridged=across is not None):
        points = len(x)
        if points < 2 * m + 1:
            continue
        left = 2 * x[0] - x[points - 2 : 0 : -1]
        right = 2 * x[-1] - x[points - 2 : 0 : -1]
        prolonged = np.concatenate((left, x, right))
        first = points - 1 - m
        total += sum_of_squares(prolonged[first : first + points - 2 + 2 * m], m, 2, 1, None)
        runs.append(points - 2)
    lengths = np.array(runs, dtype=np.int64)
    n = int(lengths.sum())
    if across is not None and across.any():
        error = n * _error(phase, m, 2, 1, across) / int(across.sum())
        if error > LARGEST_ERROR_SHARE * total:
            return float("nan"), lengths[:0]
        total -= error
    return (total / (ALLAN_DIVISOR * m**2 * n) if n else float("nan")), lengths
