"""Matching of the readings that several counters took at the same time."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchwatch.estimate.array_types import BoolArray, FloatArray


def match_times(times: Sequence[FloatArray], window_s: float) -> NDArray[np.intp]:
    """Find the readings that were taken together, in several ascending lists of times.

    A reading of the first list is matched with the nearest of every other list; a set counts
    when all of them lie within `window_s` of the first, and no reading is used twice.

    Returns:
        Indices, one row a set, one column a list.
    """
    first, *others = times
    columns = [np.arange(first.size)]
    fits = np.isfinite(first)
    for other in others:
        if other.size == 0:
            return np.empty((0, len(times)), dtype=np.intp)
        after = np.clip(np.searchsorted(other, first), 1, max(other.size - 1, 1))
        before = after - 1
        after = np.minimum(after, other.size - 1)
        nearest = np.where(first - other[before] <= other[after] - first, before, after)
        distance = np.abs(other[nearest] - first)
        fits &= distance <= window_s
        fits &= _nearest_only(nearest, distance)
        columns.append(nearest)
    return np.column_stack(columns)[fits]


def _nearest_only(nearest: NDArray[np.intp], distance: FloatArray) -> BoolArray:
    """Return which to keep where one reading is nearest to several: the closest, then earliest."""
    order = np.lexsort((distance, nearest))
    leads = np.ones(order.size, dtype=bool)
    leads[1:] = nearest[order][1:] != nearest[order][:-1]
    wins = np.empty(order.size, dtype=bool)
    wins[order] = leads
    return wins
