"""The step between two stretches of readings, which share a slope or a creep.

Both are analyses of covariance with two groups and one slope, on the time or on exp(-t/tau) (a
textbook matter, such as in Snedecor and Cochran, Statistical Methods; from memory).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchwatch.estimate.regression import CentredSums, Point, centred

_FEWEST_BEFORE = 3
_FEWEST_AFTER = 2
_SLOPE_SDS = 2.0
"""Standard deviations by which a slope may exceed its estimate."""
_AMPLITUDE_SDS = 2.5
"""sd of a creep's amplitude by which it may differ from the best fit to explain a step."""
_ROUNDING_FACTOR = 1.001
"""A little more than 1, for rounding of floats."""


@dataclass(frozen=True, slots=True)
class StepFit:
    """A fitted step; sizes and levels are fractional."""

    size: float
    spread: float
    """Variance of `size` per unit variance of a reading."""
    white: float
    """Variance of single readings: the larger of the known one and that of the residuals."""
    shorter: int
    """Readings in the shorter stretch."""
    after: Point
    """Mean time and offset after the step."""
    slope: float
    """Slope common to both stretches, per second."""
    bend: float
    """Largest likely change of the slope at the step, per second, unsigned."""

    def from_after(self, point: Point) -> float:
        """Return the signed distance of a reading from the line after the step."""
        return point[1] - self.after[1] - self.slope * (point[0] - self.after[0])

    def u(self, excess: float) -> float:
        """Return the standard uncertainty of the step.

        Args:
            excess: variance beyond white noise of block means as long as the shorter stretch.
        """
        return math.sqrt(self.spread * (self.white + self.shorter * excess))


def fit_step(
    before: Sequence[Point], after: Sequence[Point], sigma: float, slope_sd: float = math.inf
) -> StepFit | None:
    """Fit two parallel lines and return the step from one to the other; None with too few.

    The common slope keeps a drift or a warm-up from passing for a step.

    Args:
        before: readings up to the step, oldest first.
        after: readings from the step on.
        sigma: sd of single readings, fractional.
        slope_sd: sd of the slope about 0 before these readings, per second; not 0.
    """
    if len(before) < _FEWEST_BEFORE or len(after) < _FEWEST_AFTER:
        return None
    first, second = centred(before), centred(after)
    if first.tt <= 0.0 or second.tt <= 0.0:
        return None
    tt = first.tt + second.tt + (sigma / slope_sd) ** 2
    slope = (first.ty + second.ty) / tt
    left_over = max(first.yy + second.yy - slope * (first.ty + second.ty), 0.0)
    apart = second.t - first.t
    bend = abs(second.ty / second.tt - first.ty / first.tt)
    bend += _SLOPE_SDS * sigma / math.sqrt(second.tt)
    return StepFit(
        size=second.y - first.y - slope * apart,
        spread=1.0 / len(before) + 1.0 / len(after) + apart * apart / tt,
        white=max(sigma * sigma, left_over / max(len(before) + len(after) - 3, 1)),
        shorter=min(len(before), len(after)),
        after=(second.t, second.y),
        slope=slope,
        bend=bend,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PossibleCreep:
    """A creep A exp(-t/tau) that may lie under a step."""

    taus_s: Sequence[float]
    """Its possible time constants."""
    sd: float
    """sd of its amplitude about 0."""
    most: float
    """Largest amplitude, unsigned."""


def creep_explains(
    before: Sequence[Point],
    after: Sequence[Point],
    creep: PossibleCreep,
    *,
    sigma: float,
    excess: float,
    sure: float,
) -> bool:
    """Return whether a creep leaves no step of more than `sure` standard uncertainties.

    For each time constant, two curves with a common creep are fitted; its amplitude takes as much
    off the step between them as the fit allows.

    Args:
        before: minus the time since the creep began, and offset; oldest first, one at least.
        after: the same from the step on, one at least.
        creep: the creep that both stretches may contain.
        sigma: sd of single readings, fractional.
        excess: variance beyond white noise of block means as long as the shorter stretch.
        sure: limit of the remaining step, in standard uncertainties.
    """
    shorter = min(len(before), len(after))
    spread = 1.0 / len(before) + 1.0 / len(after)
    limit = sure * math.sqrt(spread * (sigma * sigma + shorter * excess))
    rise = math.fsum(y for _, y in after) / len(after)
    rise -= math.fsum(y for _, y in before) / len(before)
    # No creep takes more off a step than its amplitude: larger steps need no fit.
    if abs(rise) > _ROUNDING_FACTOR * (creep.most + limit):
        return False
    return any(
        abs(_least_step(before, after, creep, tau_s, sigma)) <= limit for tau_s in creep.taus_s
    )


def _least_step(
    before: Sequence[Point],
    after: Sequence[Point],
    creep: PossibleCreep,
    tau_s: float,
    sigma: float,
) -> float:
    """Return the smallest step that a creep of one time constant leaves; see `creep_explains`."""
    first, second = _sums_on_exponential(before, tau_s), _sums_on_exponential(after, tau_s)
    weight = first.tt + second.tt + sigma * sigma / (creep.sd * creep.sd)
    ty = first.ty + second.ty
    apart, rise = second.t - first.t, second.y - first.y
    reach = _AMPLITUDE_SDS * sigma / math.sqrt(weight)
    low, high = max(ty / weight - reach, -creep.most), min(ty / weight + reach, creep.most)
    amplitude = min(max(rise / apart if apart else 0.0, low), high)
    return rise - amplitude * apart


def _sums_on_exponential(points: Sequence[Point], tau_s: float) -> CentredSums:
    """Return the sums over readings, with exp(-t/tau) in place of their time."""
    exp = math.exp
    return centred([(exp(ago / tau_s), y) for ago, y in points])
