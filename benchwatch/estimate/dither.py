"""Dither: how far the readings of the last moments spread, with their drift and without it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LEAST_READINGS = 3
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


def dither(elapsed_s: NDArray[np.float64], offset: NDArray[np.float64]) -> Dither | None:
    """Describe the readings `offset` (n,) taken at `elapsed_s` (n,); nan readings are left out.

    None with fewer than three readings. Times and offsets are taken from the first ones and
    their means, so that neither a clock's epoch nor a large offset costs digits, and equal
    readings have no spread.
    """
    there = np.isfinite(offset)
    t, y = elapsed_s[there], offset[there]
    readings = len(y)
    if readings < LEAST_READINGS:
        return None
    dt, dy = t - t[0], y - y[0]
    dt, dy = dt - dt.mean(), dy - dy.mean()
    ss = float(dy @ dy)
    tt = float(dt @ dt)
    explained = float(dt @ dy) ** 2 / tt if tt > 0 else 0.0
    return Dither(
        peak_to_peak=float(np.ptp(y)),
        sd=(ss / (readings - 1)) ** 0.5,
        sd_without_drift=(max(ss - explained, 0.0) / (readings - 2)) ** 0.5,
        readings=readings,
        span_s=float(np.ptp(t)),
    )
