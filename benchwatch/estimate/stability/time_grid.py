"""The phase of a recorded run on a grid of equal intervals, in which gaps keep their length."""

from typing import Final

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray, IntArray
from benchwatch.estimate.stability.gap_bridges import LONGEST_GAP_READINGS
from benchwatch.estimate.stability.phase_data import Phase, phase_of_offsets, phase_of_phase

LARGEST_GRID_RATIO: Final = 4
"""Most points of the grid of phase, in points of the run; longer gaps are shortened."""


def phase_on_grid(
    time_s: FloatArray, offset: FloatArray, breaks: IntArray, interval_s: float
) -> Phase:
    """Return the phase of offsets that were read with gaps.

    Args:
        time_s: middle of each reading, ascending, shape (n,).
        offset: fractional, nan where a reading is left out, shape (n,).
        breaks: indices of the readings in front of which some are missing.
        interval_s: from reading to reading.
    """
    if not breaks.size:
        return phase_of_offsets(offset, bridged=True)
    lost = np.minimum(_lost(time_s, breaks, interval_s), LONGEST_GAP_READINGS + 1)
    return phase_of_offsets(np.insert(offset, np.repeat(breaks, lost), np.nan), bridged=True)


def measured_phase_on_grid(
    time_s: FloatArray,
    step: FloatArray,
    breaks: IntArray,
    *,
    across: FloatArray,
    left_out: BoolArray,
    interval_s: float,
) -> Phase:
    """Return phase that was measured with gaps, during which the phase itself continued.

    Args:
        time_s: middle of each pair of neighbouring points, ascending, shape (n,).
        step: from point to point, in intervals, shape (n,).
        breaks: indices of the pairs in front of which points are missing; 0 and n are none.
        across: from the last point before each break to the first after it, in intervals.
        left_out: pairs with a wild point, shape (n,): of two in succession the point between
            them is taken as missing, and nothing reaches across a single one.
        interval_s: from point to point.
    """
    n = step.size
    lost = _lost(time_s, breaks, interval_s)
    room = max(LARGEST_GRID_RATIO * n, LONGEST_GAP_READINGS + 1)
    if lost.sum() > room:
        lost = np.minimum(lost, max(room // max(breaks.size, 1), 1))
    # Intervals on the grid: the pairs in order, and for each break those that it lasts.
    owner = np.insert(np.arange(n), np.repeat(breaks, lost), -1)
    place = np.flatnonzero(owner >= 0)
    size = np.zeros(owner.size)
    size[place] = step
    points_missing = np.zeros(owner.size + 1, dtype=bool)
    for index, count, total in zip(breaks.tolist(), lost.tolist(), across.tolist(), strict=True):
        end = place[index]
        size[end - 1] = total
        points_missing[end - count + 1 : end] = True
    x = np.concatenate(([0.0], np.cumsum(size - step.mean(), dtype=np.longdouble)))
    unbridged = np.zeros(owner.size, dtype=bool)
    wild = np.zeros(owner.size, dtype=bool)
    wild[place] = left_out
    twice = np.flatnonzero(wild[:-1] & wild[1:])
    points_missing[twice + 1] = True
    single = wild.copy()
    single[twice] = single[twice + 1] = False
    unbridged[single] = True
    points = np.where(points_missing, np.nan, np.asarray(x, dtype=np.float64))
    return phase_of_phase(points, 1.0, runs_on=True, unbridged=unbridged)


def _lost(time_s: FloatArray, breaks: IntArray, interval_s: float) -> IntArray:
    """Count the readings missing in front of each break, at least one."""
    steps = (time_s[breaks] - time_s[breaks - 1]) / interval_s
    return np.maximum(np.rint(steps).astype(np.int64) - 1, 1)
