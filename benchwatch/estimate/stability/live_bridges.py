"""Correction of the live deviations for the values put in for lost readings.

Up to three lost readings in a row are replaced by the mean of both neighbours. The sum of the true
readings differs from the sum of the values put in by e, and the mean of e² is measured where no
reading is lost: there both sums are known for one, two or three readings.

In a second difference of phase over 2m readings e counts once, with either sign, and of the n
differences of n + 2m readings n·2m/(n + 2m) hold a given reading on average. So e adds
e²·2m/(n + 2m) to their mean square, which is 2m² times the variance. In a third difference e has
the weights 1, −2, 1, which makes 6m/(n + 3m), and the mean square is 6m² times the variance. In a
modified difference its squared weights are smaller by `WEIGHT_OF_MODIFIED`.
"""

from collections import deque
from dataclasses import replace
from typing import Final

from benchwatch.estimate.stability.deviation_kinds import DEVIATIONS
from benchwatch.estimate.stability.deviation_point import Deviation
from benchwatch.estimate.stability.deviations import LARGEST_ERROR_SHARE, WEIGHT_OF_MODIFIED

LONGEST_GAP_READINGS: Final = 3
"""Lost readings in a row that are replaced by the mean of both neighbours; more end a stretch."""


class LiveBridges:
    """Counts the values put in for lost readings, and measures their error."""

    def __init__(self) -> None:
        self._newest: deque[float] = deque(maxlen=LONGEST_GAP_READINGS + 2)
        self._squares = [0.0] * LONGEST_GAP_READINGS
        self._measured = [0] * LONGEST_GAP_READINGS
        self._bridges = [0] * LONGEST_GAP_READINGS

    def reading(self, offset: float) -> None:
        """Take a reading, fractional, that follows the one before without loss."""
        newest, squares, measured = self._newest, self._squares, self._measured
        newest.append(offset)
        if len(newest) == LONGEST_GAP_READINGS + 2:
            # The usual case, written out: it happens at every reading.
            oldest, third, second, last, _ = newest
            one = last - (offset + second) / 2.0
            two = last + second - (offset + third)
            three = last + second + third - 1.5 * (offset + oldest)
            squares[0] += one * one
            squares[1] += two * two
            squares[2] += three * three
            measured[0] += 1
            measured[1] += 1
            measured[2] += 1
            return
        held, middle = len(newest), 0.0
        for lost in range(1, min(held - 1, LONGEST_GAP_READINGS + 1)):
            middle += newest[-1 - lost]
            error = middle - lost * (offset + newest[-2 - lost]) / 2.0
            squares[lost - 1] += error * error
            measured[lost - 1] += 1

    def bridge(self, lost: int) -> None:
        """Count values put in for `lost` readings in a row, 1 to `LONGEST_GAP_READINGS`."""
        self._bridges[lost - 1] += 1
        self._newest.clear()

    def gap(self) -> None:
        """Begin a new stretch: nothing was put in."""
        self._newest.clear()

    def correct(self, rows: tuple[Deviation, ...], interval_s: float) -> tuple[Deviation, ...]:
        """Return the rows without the share of the values put in; drop those where it is too large.

        Args:
            rows: of the live kinds, values fractional.
            interval_s: seconds from reading to reading.
        """
        if not any(self._bridges):
            return rows
        known = zip(self._bridges, self._squares, self._measured, strict=True)
        error = sum(times * square / n for times, square, n in known if times and n)
        kept = []
        for row in rows:
            m = round(row.tau_s / interval_s)
            kind = DEVIATIONS[row.deviation]
            span = row.n + kind.order * m
            weight = WEIGHT_OF_MODIFIED[kind.order] if kind.modified else 1.0
            share = weight * error / m / span / row.value**2 if row.value else 0.0
            if share > LARGEST_ERROR_SHARE:
                continue
            rest = (1.0 - share) ** 0.5
            low = None if row.low is None else row.low * rest
            high = None if row.high is None else row.high * rest
            kept.append(replace(row, value=row.value * rest, low=low, high=high))
        return tuple(kept)
