"""A step between two stretches of readings that share one slope."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchwatch.estimate.regression import Point, centred

_LEAST_BEFORE = 3
_LEAST_AFTER = 2
_NO_CHANCE = 2.0
"""Standard deviations by which a slope may be larger than it looks."""


@dataclass(frozen=True, slots=True)
class StepFit:
    """Height of a step, and its variance per unit variance of a reading."""

    size: float
    spread: float
    white: float
    """Variance of single readings: the larger of what was known and what the fit leaves over."""
    shorter: int
    """Readings in the shorter stretch."""
    after: Point
    """Mean time and offset after the step."""
    slope: float
    """Common to both stretches, a second."""
    bend: float
    """By how much more a second the level may move after the step than before it."""

    def from_after(self, point: Point) -> float:
        """How far a reading lies from the line after the step."""
        return point[1] - self.after[1] - self.slope * (point[0] - self.after[0])

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
    first, second = centred(before), centred(after)
    if first.tt <= 0.0 or second.tt <= 0.0:
        return None
    tt = first.tt + second.tt
    slope = (first.ty + second.ty) / tt
    left_over = max(first.yy + second.yy - slope * (first.ty + second.ty), 0.0)
    apart = second.t - first.t
    bend = abs(second.ty / second.tt - first.ty / first.tt)
    bend += _NO_CHANCE * sigma / math.sqrt(second.tt)
    return StepFit(
        size=second.y - first.y - slope * apart,
        spread=1.0 / len(before) + 1.0 / len(after) + apart * apart / tt,
        white=max(sigma * sigma, left_over / max(len(before) + len(after) - 3, 1)),
        shorter=min(len(before), len(after)),
        after=(second.t, second.y),
        slope=slope,
        bend=bend,
    )
