"""Thins the offsets of a visit to as many points as a chart needs, in bounded memory.

Readings are joined to their lowest and highest offset, so that no extreme is hidden. Readings on
the two sides of a break (a long gap, or another run) are never joined.
"""

from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray, IntArray
from benchwatch.measured_visit.measured_visit import ThinnedOffsets

MOST_HELD: Final = 16_384
"""About so many points are held until all readings have come."""


class OffsetThinner:
    """Takes the readings of a visit in the order of time.

    Args:
        points: how many points there are to be at most, besides one for each break.
        readings: about how many readings will come.
    """

    def __init__(self, points: int, readings: int) -> None:
        self._points = points
        self._joined = max(1, readings // MOST_HELD)
        """How many readings become one held point."""
        self._parts: list[tuple[FloatArray, FloatArray, FloatArray, FloatArray, IntArray]] = []
        """First and last time, lowest and highest offset, and number of the stretch, of each."""
        self._stretch = 0
        self._readings = 0

    def add_break(self) -> None:
        """Join nothing that comes from here on with what came before."""
        self._stretch += 1

    def add(self, utc_s: FloatArray, offset: FloatArray) -> None:
        """Add n readings in the order of time, all finite."""
        n = utc_s.size
        if not n:
            return
        self._readings += n
        first = np.arange(0, n, self._joined)
        last = np.append(first[1:], n) - 1
        self._parts.append(
            (
                utc_s[first],
                utc_s[last],
                np.minimum.reduceat(offset, first),
                np.maximum.reduceat(offset, first),
                np.full(first.size, self._stretch),
            )
        )

    def thinned(self) -> ThinnedOffsets:
        """Return what came so far."""
        if not self._parts:
            return ThinnedOffsets()
        begin_s, end_s, low, high, stretch = map(np.concatenate, zip(*self._parts, strict=True))
        if begin_s.size > self._points:
            first = self._cells(begin_s, end_s, stretch)
            last = np.append(first[1:], begin_s.size) - 1
            begin_s, end_s, stretch = begin_s[first], end_s[last], stretch[first]
            low, high = np.minimum.reduceat(low, first), np.maximum.reduceat(high, first)
        breaks = np.flatnonzero(np.diff(stretch)) + 1
        return ThinnedOffsets(
            utc_s=tuple(np.insert((begin_s + end_s) / 2, breaks, end_s[breaks - 1]).tolist()),
            low=tuple(np.insert(low, breaks, np.nan).tolist()),
            high=tuple(np.insert(high, breaks, np.nan).tolist()),
            readings=self._readings,
        )

    def _cells(self, begin_s: FloatArray, end_s: FloatArray, stretch: IntArray) -> IntArray:
        """Return the index of the first point of each cell; cells are equal spans of time.

        Time between stretches does not count.
        """
        is_new = np.diff(stretch) > 0
        between = np.where(is_new, begin_s[1:] - end_s[:-1], 0.0)
        passed = begin_s - begin_s[0] - np.concatenate(([0.0], np.cumsum(between)))
        most = max(self._points - int(is_new.sum()) - 1, 1)
        cell = np.floor(passed / max(float(passed[-1]) / most, np.finfo(float).tiny))
        is_first = np.concatenate(([True], is_new | (np.diff(cell) > 0)))
        return np.flatnonzero(is_first)
