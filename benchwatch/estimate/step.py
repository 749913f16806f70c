"""Is it a nudge? A sudden step between two stretches of readings that share one slope."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

SURE: Final = 6.0
"""A nudge is confirmed when the step is this many times its own uncertainty."""
PROBABLE: Final = 2.5
"""Past this many, the step is not counted as wander of the oscillator."""
BEFORE: Final = 20
AFTER: Final = 12
"""Readings looked at on either side, at most."""
BEFORE_MOVING: Final = 8
AFTER_MOVING: Final = 3
"""The same during a warm-up, few enough for its bend not to pass for a step."""
_LEAST_BEFORE = 3
_LEAST_AFTER = 2

Point = tuple[float, float]
"""Time in seconds and fractional offset of one reading."""


@dataclass(frozen=True, slots=True)
class StepFit:
    """Height of a step, and its variance per unit variance of a reading."""

    size: float
    spread: float
    white: float
    """Variance of single readings: the larger of what was known and what the fit leaves over."""
    shorter: int
    """Readings in the shorter stretch."""

    def u(self, excess: float) -> float:
        """Standard uncertainty of the step.

        Args:
            excess: variance beyond white noise of block means as long as the shorter stretch.
        """
        return math.sqrt(self.spread * (self.white + self.shorter * excess))


def fit_step(before: Sequence[Point], after: Sequence[Point], sigma: float) -> StepFit | None:
    """Fit two parallel lines and return the step from one to the other; None with too few.

    The common slope keeps a drift or a warm-up from passing for a step. The formulas are those
    of the analysis of covariance with two groups and one slope (a textbook matter, such as in
    Snedecor and Cochran, Statistical Methods; from memory).

    Args:
        before: readings up to the step, oldest first.
        after: readings from the step on.
        sigma: sd of single readings, fractional.
    """
    if len(before) < _LEAST_BEFORE or len(after) < _LEAST_AFTER:
        return None
    first, second = _centred(before), _centred(after)
    tt = first.tt + second.tt
    if tt <= 0.0:
        return None
    slope = (first.ty + second.ty) / tt
    left_over = max(first.yy + second.yy - slope * (first.ty + second.ty), 0.0)
    apart = second.t - first.t
    return StepFit(
        size=second.y - first.y - slope * apart,
        spread=1.0 / len(before) + 1.0 / len(after) + apart * apart / tt,
        white=max(sigma * sigma, left_over / max(len(before) + len(after) - 3, 1)),
        shorter=min(len(before), len(after)),
    )


@dataclass(frozen=True, slots=True)
class _Centred:
    """Means, and sums of squares and products about them."""

    t: float
    y: float
    tt: float
    ty: float
    yy: float


def _centred(points: Sequence[Point]) -> _Centred:
    n = len(points)
    t0, y0 = points[0]
    t = sum([p[0] - t0 for p in points]) / n
    y = sum([p[1] - y0 for p in points]) / n
    tt = ty = yy = 0.0
    for pt, py in points:
        dt, dy = pt - t0 - t, py - y0 - y
        tt += dt * dt
        ty += dt * dy
        yy += dy * dy
    return _Centred(t0 + t, y0 + y, tt, ty, yy)
