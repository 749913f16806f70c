"""The present level of a counter's readings while somebody turns the trimmer.

`ChangePoints` weighs the readings since which the level may have stood still and returns the mean;
`ReadingNoise` estimates the scatter of single readings, `LowFrequencyNoise` drift and wander of
the oscillator. The mean follows a step at once; `NudgeDetector` confirms the step only once it
stands out from noise, drift and wander.

``tests/benchmarks/test_quality_level.py`` compares the result with other methods;
`change_points` gives the figures and the reason for the choice.
"""

import math
from itertools import islice
from typing import NamedTuple

from benchwatch.estimate.level.change_points import ChangePoints, StableRun
from benchwatch.estimate.level.level_step import LEAST_DEGREES
from benchwatch.estimate.level.low_frequency_noise import LowFrequencyNoise
from benchwatch.estimate.level.nudge_detector import NudgeDetector
from benchwatch.estimate.level.reading_noise import ReadingNoise
from benchwatch.estimate.reading_spacing import ReadingSpacing
from benchwatch.estimate.results import Estimate, Nudge, Rest
from benchwatch.estimate.rounding import rounding_variance

_ESTABLISHED_READINGS = 3
"""A reading is suspect only where the level before it had so many readings."""
_YOUNG_READINGS = 33
"""Readings since a step in which a motion of the level is looked for."""
_SHORT_GAP_INTERVALS = 4.0
"""Intervals between readings up to which a gap is a few lost readings."""
_FEWEST_IN_HALF = 2
_WANDER_VARIANCES = 8.0
"""Variances of the known wander beyond which a step may be unseen."""
_POSSIBLE_STEP_SHARE = 0.1
"""Share of the variance from possible steps that counts: a step that is too small to look likely
has a variance of its own, and the two together would make u too large on a level that stands."""
_MOTION_VARIANCES = 2.0
"""Variances from which a motion counts: a missed motion makes u too small, a false one only makes
u too large."""


class LevelNow(NamedTuple):
    """The level after one reading; see `benchwatch.estimate.results.Numbers`.

    A tuple, because a new one is built with each reading.
    """

    estimate: Estimate
    noise: float | None
    confirmed_nudge: Nudge | None = None
    suspect: bool = False
    spike_at_s: float | None = None
    last_nudge: Nudge | None = None
    """The newest nudge with its present size; None before the first and after a gap."""
    rest: Rest | None = None
    revised_nudge: Nudge | None = None
    """The nudge before the confirmed one, where its size has changed; else None."""


class LevelEstimator:
    """The level since the last step, found from the readings alone.

    Memory is constant and the work a reading bounded.
    """

    def __init__(self) -> None:
        self._gate_s: float | None = None
        self._noise = ReadingNoise()
        self._runs = ChangePoints()
        self._wander = LowFrequencyNoise()
        self._nudges = NudgeDetector()
        self._recent = self._nudges.recent
        self._spacing = ReadingSpacing()
        self._number = 0
        self._suspect = False

    @property
    def quantum(self) -> float:
        """The last digit of the readings as a fraction; 0 while unknown."""
        return self._noise.quantum

    def gap(self, lasted_s: float | None = None) -> bool:
        """Take a gap: the level continues if the oscillator can't have wandered far in it.

        Up to three lost readings in a row change nothing. A longer gap ends the level where it is
        longer than the level had stood, or where wander and drift may have moved the oscillator by
        more than single readings scatter. After a shorter gap the level continues with a smaller
        count of readings, the one that corresponds to its uncertainty after the gap.

        Args:
            lasted_s: seconds without readings; None when readings before and after the gap
                can't be compared.

        Returns:
            Whether the level continues; else it is discarded, while noise and wander are kept.
        """
        intervals = self._spacing.spacings_in(lasted_s)
        self._spacing.gap()
        if intervals is None or not self._carry_over_gap(intervals):
            self._restart()
            return False
        return True

    def ahead(self, after_s: float, averaged: int) -> tuple[float, float] | None:
        """Return by how much the mean of later readings will differ, and the variance of that.

        The difference is that of the drift which the level follows; the variance is that of drift
        and wander. None while nothing is known.

        Args:
            after_s: seconds from the newest reading to the middle of the later ones.
            averaged: number of the later readings.
        """
        best, intervals = self._runs.best, self._spacing.spacings_in(after_s)
        if best is None or intervals is None:
            return None
        wander = self._wander
        variance = wander.variance_of_later_mean(intervals, averaged, best.readings)
        return wander.trend.slope * intervals, variance

    def touch(self, at_s: float) -> None:
        """Note that the tool is put on the trimmer or lifted (see `NudgeDetector.touch`)."""
        self._nudges.touch(at_s)

    def _carry_over_gap(self, intervals: float) -> bool:
        """Carry the level over a gap of so many intervals; return whether it continues."""
        best, noise, wander = self._runs.best, self._noise, self._wander
        if best is None:
            return False
        strayed = 0.0
        if intervals > _SHORT_GAP_INTERVALS:
            white = noise.sigma**2
            strayed = wander.variance_over(intervals, best.readings)
            if intervals > best.readings or not strayed < white:
                return False
            strayed /= white
            noise.gap()
            wander.restart()
        self._runs.discount(intervals, strayed, wander.trend.slope * intervals)
        return True

    def _restart(self) -> None:
        """Discard the level; keep noise and wander."""
        self._noise.gap()
        self._runs.clear()
        self._wander.restart()
        self._suspect = False

    def add(
        self, elapsed_s: float, offset: float, *, gate_s: float | None, resolution: float
    ) -> LevelNow:
        """Take one finite reading and return the level after it.

        Args:
            elapsed_s: middle of the gate, seconds, any origin.
            offset: fractional offset.
            gate_s: gate time, None when unknown; at a change everything restarts, because the
                noise at one gate does not show that at another.
            resolution: weight of the last digit, as a fraction; 0 when unknown.
        """
        if gate_s is not None and gate_s != self._gate_s:
            self._restart()
            self._spacing = ReadingSpacing()
            self._gate_s, self._noise, self._wander = gate_s, ReadingNoise(), LowFrequencyNoise()
        noise, wander, runs = self._noise, self._wander, self._runs
        self._number += 1
        self._spacing.add(elapsed_s)
        before = runs.best
        run = runs.add(
            self._number,
            elapsed_s,
            offset,
            sigma=noise.sigma,
            degrees=noise.degrees,
            most_readings=wander.most_readings,
            slope=wander.trend.slope,
        )
        noise.add(offset, resolution)
        spike_at_s = None
        if self._suspect and run.wild_at == self._number - 1:
            spike_at_s = self._recent.pop()[1]
        if before is None:
            self._nudges.restart(self._number)
        self._nudges.feed(wander, noise.sigma)
        nudge = self._nudges.add((self._number, elapsed_s, offset), run, noise, wander)
        if nudge is not None:
            runs.keep_from(min(self._nudges.confirmed, run.start))
        self._suspect = (
            before is not None
            and before.readings >= _ESTABLISHED_READINGS
            and run.readings == 1
            and not noise.moving
        )
        wander_variance, creep = wander.variance_of_mean(run.readings), self._nudges.creep
        return LevelNow(
            estimate=self._estimate(run, elapsed_s, wander_variance),
            noise=noise.sigma or None,
            confirmed_nudge=nudge,
            suspect=self._suspect,
            spike_at_s=spike_at_s,
            last_nudge=creep.newest,
            rest=None if creep.newest is None else creep.rest(wander_variance),
            revised_nudge=None if nudge is None else creep.revised,
        )

    def _lag_variance(self, run: StableRun) -> float:
        """Return the variance of the mean from a motion within the young run.

        A trimmer creeps for a while after a turn. If the creep is even, the mean lags behind by
        the difference of the run's halves; if the creep dies away, by half of that difference.
        """
        if self._wander.trend.slope:
            return 0.0
        young = self._offsets_of(run, _YOUNG_READINGS)
        half = len(young) // 2
        if half < _FEWEST_IN_HALF or run.readings < len(young):
            return 0.0
        apart = sum(young[-half:]) / half - sum(young[:half]) / half
        chance = 2.0 * self._noise.sigma**2 / half
        return 0.5 * apart * apart if apart * apart > _MOTION_VARIANCES * chance else 0.0

    def _rounding_variance(self, run: StableRun) -> float:
        """Return the variance of the mean from rounding, where noise doesn't average it out."""
        return rounding_variance(self._offsets_of(run, len(self._recent)), self._noise.quantum)

    def _offsets_of(self, run: StableRun, most: int) -> list[float]:
        """Return the offsets of the run among the newest `most` readings, oldest first."""
        start = run.start
        recent = self._recent
        newest = islice(reversed(recent), min(most, self._number - start + 1))
        if recent and recent[0][0] >= start:
            offsets = [reading[2] for reading in newest]
        else:
            offsets = [y for k, _, y in newest if k >= start]
        offsets.reverse()
        return offsets

    def _estimate(self, run: StableRun, elapsed_s: float, wander: float) -> Estimate:
        """Return the level of a run; `wander` is the variance of its mean from wander."""
        degrees = self._noise.degrees
        u = None
        if self._noise.sigma > 0.0 and degrees > LEAST_DEGREES:
            white = self._noise.sigma**2 / run.readings
            coarse = self._noise.coarse
            share = 1.0 if coarse else _POSSIBLE_STEP_SHARE
            white += share * max(self._runs.u**2 - white, 0.0)
            white *= degrees / (degrees - LEAST_DEGREES)
            # Readings of a coarse counter that waver between two digits show no step.
            unseen = 0.0 if coarse else self._runs.unseen_step
            moved = max(
                wander,
                self._lag_variance(run),
                unseen if unseen > _WANDER_VARIANCES * wander else 0.0,
            )
            rounding = self._rounding_variance(run) if coarse else 0.0
            u = math.sqrt(white + rounding + moved)
        since = self._number - run.start + 1
        share = run.readings / since if run.readings >= self._wander.most_readings else 1.0
        span_s = (elapsed_s - run.start_s) * share + (self._gate_s or 0.0)
        return Estimate(offset=self._runs.mean, u=u, readings=run.readings, span_s=span_s)
