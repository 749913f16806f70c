"""Dither: the spread of the newest readings, with their drift and without it."""

from dataclasses import dataclass

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.regression import centred_arrays

FEWEST_READINGS = 3
"""Fewer leave no spread once a straight line is taken out."""


@dataclass(frozen=True, slots=True)
class Dither:
    """Spread of single readings, fractional."""

    peak_to_peak: float
    sd: float
    """Standard deviation about the mean."""
    sd_without_drift: float
    """Standard deviation about the straight line of least squares."""
    readings: int
    span_s: float


def dither(elapsed_s: FloatArray, offset: FloatArray) -> Dither | None:
    """Return the dither of fractional readings `offset`, (n,), at `elapsed_s`, (n,); nan: left out.

    None with fewer than three readings. The spread of equal readings is 0.
    """
    there = np.isfinite(offset)
    t, y = elapsed_s[there], offset[there]
    readings = len(y)
    if readings < FEWEST_READINGS:
        return None
    sums, _, _ = centred_arrays(t, y)
    return Dither(
        peak_to_peak=float(np.ptp(y)),
        sd=(sums.yy / (readings - 1)) ** 0.5,
        sd_without_drift=(sums.residual_sum / (readings - 2)) ** 0.5,
        readings=readings,
        span_s=float(np.ptp(t)),
    )
