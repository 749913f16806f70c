"""Spikes, lone wild readings, of a recorded run: the same rule for all its statistics.

A reading is a spike when it differs from the readings before and from those after it by more than
6 standard deviations to the same side, while these agree with each other. Before and after are
medians of three readings, so that neither a step nor a second spike nearby is taken for a spike.
The standard deviation is 1.4826 times the median distance of a reading from the mean of both
medians, over stretches of 2048 readings (1.4826 turns a median of sizes into the standard deviation
of a normal variable; Hampel 1974), and at least half of the smallest step in the run: a quiet
counter that repeats itself is not free of noise. The 6 is common practice, no source; a million
readings of white noise have no spike.
"""

from typing import Final

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray

SPIKE_SDS: Final = 6.0
"""Distance of a spike, in standard deviations."""
STRETCH_READINGS: Final = 2048
"""Readings over which the standard deviation is taken."""
FEWEST_READINGS: Final = 7
"""Fewest readings in which a spike is searched for."""
MAD_TO_SD: Final = 1.4826
STEPS_AT_ONCE: Final = 1 << 16
AGREEMENT_SHARE: Final = 0.5
"""Largest difference of before and after, as a part of the distance of the spike."""


def spikes(values: FloatArray) -> BoolArray:
    """Return which of `values`, (n,), any unit, are spikes, (n,); nan (a missing one) is none."""
    found = np.zeros(values.size, dtype=bool)
    known = np.isfinite(values)
    if np.count_nonzero(known) < FEWEST_READINGS:
        return found
    y = values if known.all() else values[known]
    floor = _smallest_step(y) / 2.0
    wild = np.zeros(y.size, dtype=bool)
    for start in range(0, y.size, STRETCH_READINGS):
        end = min(start + STRETCH_READINGS, y.size)
        first, last = max(start - 3, 0), min(end + 3, y.size)
        mine = _spikes(y[first:last], floor)
        wild[start:end] = mine[start - first : end - first]
    found[known] = wild
    return found


def _spikes(y: FloatArray, floor: float) -> BoolArray:
    padded = np.pad(y, 3, mode="edge")
    n = y.size
    before = _median_of_three(padded[0:n], padded[1 : n + 1], padded[2 : n + 2])
    after = _median_of_three(padded[4 : n + 4], padded[5 : n + 5], padded[6 : n + 6])
    up, down = y - before, y - after
    scale = max(MAD_TO_SD * float(np.median(np.abs(up + down))) / 2.0, floor)
    size = np.minimum(np.abs(up), np.abs(down))
    lone = (up > 0) == (down > 0)
    return np.asarray(
        lone
        & (size > SPIKE_SDS * scale)
        & (np.abs(before - after) < AGREEMENT_SHARE * size)
        & (size > 0)
    )


def _median_of_three(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    return np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))


def _smallest_step(y: FloatArray) -> float:
    smallest = np.inf
    for start in range(0, y.size, STEPS_AT_ONCE):
        steps = np.abs(np.diff(y[start : start + STEPS_AT_ONCE + 1]))
        smallest = min(smallest, float(steps.min(where=steps > 0, initial=np.inf)))
    return smallest if np.isfinite(smallest) else 0.0
