"""The step from a level that stood to the newest one, and how sure it is."""

import math
from typing import Final, NamedTuple

from benchwatch.estimate.level.low_frequency_noise import LowFrequencyNoise
from benchwatch.estimate.level.reading_noise import ReadingNoise
from benchwatch.estimate.level.step_fit import StepFit, fit_step
from benchwatch.estimate.regression import Point
from benchwatch.estimate.rounding import digits_apart, rounding_variance

LEAST_DEGREES: Final = 2.0
"""A Student t has no standard deviation up to here, so u is not known: three differences."""
WANDER_FACTOR: Final = 2.5
"""Factor on the variance of the wander, which rests on few differences (by trial)."""

UNEXPLAINED_SDS: Final = 4.0
"""Readings farther than this many sd from a level do not belong to it."""
NOT_BEGUN_SHARE: Final = 0.1
"""Part of a step that readings before it may lie off the old level, by its creep."""


class Standing(NamedTuple):
    """A level that stood for a while, from which turns are measured."""

    first: int = -1
    """Number of its first reading."""
    nudges: int = 0
    """Number of nudges that have reported a part of the change since."""
    reported: float = 0.0
    """That part, by their sizes as they were confirmed; fractional."""
    reported_u: float = 0.0
    """Its standard uncertainty."""
    earlier: float = 0.0
    """Part of the change in the last sizes of all these nudges but the newest, fractional."""


class Origin(NamedTuple):
    """A level before a step."""

    standing: Standing
    points: list[Point]
    """Its newest readings, oldest first."""
    left: int
    """Number of the first reading after it."""
    since_nudge: bool = False
    """Whether it is the level after the newest nudge, and not the one that stood."""

    @property
    def reported(self) -> tuple[float, float]:
        """Part of a step from here that nudges have reported, and its standard uncertainty."""
        standing = self.standing
        return (0.0, 0.0) if self.since_nudge else (standing.reported, standing.reported_u)


class NewestLevel(NamedTuple):
    """The level since a reading that may be the first after a step."""

    first: int
    """Number of that reading."""
    points: list[Point]
    """Readings from that one on, oldest first."""
    noise: ReadingNoise
    wander: LowFrequencyNoise

    @property
    def student(self) -> float:
        """The sd of a Student t over that of a normal, for the degrees of freedom of the noise."""
        return math.sqrt(self.noise.degrees / (self.noise.degrees - LEAST_DEGREES))


class LevelStep(NamedTuple):
    """A step from an origin to the newest level."""

    origin: Origin
    fit: StepFit
    slope_sd: float
    """sd of the slope about 0 that the fit was given, per second."""
    u: float
    """Standard uncertainty of the whole step, fractional."""
    size: float
    """Part that no nudge has reported, fractional."""
    size_u: float

    def exceeds(self, times: float) -> bool:
        """Return whether that part exceeds so many of its standard uncertainties."""
        return abs(self.size) > times * self.size_u

    def level_after(self, newest: NewestLevel) -> float:
        """Return the level of the first reading after the step."""
        return self.fit.after[1] + self.fit.slope * (newest.points[0][0] - self.fit.after[0])


def measure_step(
    origin: Origin,
    newest: NewestLevel,
    *,
    between: int,
    slope_sd: float,
) -> LevelStep | None:
    """Measure a step; None with too few readings.

    Args:
        origin: the level before it.
        newest: the level after it.
        between: number of readings between the two levels.
        slope_sd: sd of the slope about 0, per second; not 0.
    """
    old, new, noise = origin.points, newest.points, newest.noise
    fit = fit_step(old, new, noise.sigma, slope_sd)
    if fit is None:
        return None
    # The oscillator wanders for as long as the middles of the two levels are apart.
    apart = between + max(len(old), len(new))
    u = math.hypot(
        fit.u(WANDER_FACTOR * newest.wander.excess_of_step(apart)), _rounding(noise, old, new)
    )
    reported, reported_u = origin.reported
    return LevelStep(origin, fit, slope_sd, u, fit.size - reported, math.hypot(u, reported_u))


def first_moved_s(step: LevelStep, between: list[Point], newest: NewestLevel) -> float:
    """Return the time of the first reading that is not of the level right before a step.

    Args:
        step: the step.
        between: readings between the two levels, oldest first.
        newest: the level after it.
    """
    fit, size = step.fit, step.size
    off = [fit.from_after(point) + size for point in between]
    far, begun = UNEXPLAINED_SDS * math.sqrt(fit.white), NOT_BEGUN_SHARE * abs(size)
    first = next((at for at, one in enumerate(off) if abs(one) > max(far, begun)), len(off))

    def scatter_explained(at: int) -> float:
        """Return the sum of squares that one level from there up to `first` explains."""
        return math.fsum(off[at:first]) ** 2 / (first - at)

    # A turn too small to be seen in one reading is seen in the mean of those after it.
    small = max(range(first), key=scatter_explained, default=first)
    if small < first:
        mean = abs(math.fsum(off[small:first])) / (first - small)
        if mean > max(far / math.sqrt(first - small), begun):
            first = small
    return (between[first] if first < len(between) else newest.points[0])[0]


def shown_by_digits(step: LevelStep, newest: NewestLevel) -> bool:
    """Return whether the digits alone show that the level was turned."""
    noise = newest.noise
    if not noise.coarse:
        return False
    old, new = step.origin.points, newest.points
    return digits_apart([y for _, y in old], [y for _, y in new], noise.quantum)


def _rounding(noise: ReadingNoise, *levels: list[Point]) -> float:
    """Return the standard uncertainty of a step from rounding on either side."""
    if not noise.coarse:
        return 0.0
    return math.sqrt(
        math.fsum(rounding_variance([y for _, y in level], noise.quantum) for level in levels)
    )
