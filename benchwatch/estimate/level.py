"""The present level of a counter's readings while somebody turns the trimmer.

`Runs` weighs since when the level has stood still and gives the mean; `NoiseScale` tells it how
much single readings scatter, `Wander` how the oscillator drifts and how far it strays by itself.
A nudge is confirmed only when a step stands out from all three; the mean follows at once.

How well that does is measured by ``tests/benchmarks/test_quality_level.py``, on made sessions
beside the other methods; `benchwatch.estimate.runs` gives the figures and the reason for the
choice.
"""

import math
from collections import deque
from dataclasses import dataclass

from benchwatch.estimate.noise import NoiseScale
from benchwatch.estimate.results import Estimate, Nudge
from benchwatch.estimate.runs import Run, Runs
from benchwatch.estimate.step import (
    AFTER,
    AFTER_MOVING,
    BEFORE,
    BEFORE_MOVING,
    PROBABLE,
    SURE,
    fit_step,
)
from benchwatch.estimate.wander import Wander

_LEAST_DEGREES = 2.0
"""A Student t has no standard deviation up to here, so u is not known: three differences."""
_ESTABLISHED = 3
"""A reading is suspect only against a level that this many readings stand for."""
_LEAST_HALF = 2
_NO_CHANCE = 4.0
"""Two standard deviations, squared."""
_LONGEST_TURN = 10
"""Readings that several turns in quick succession may take and still be one nudge."""


@dataclass(frozen=True, slots=True)
class LevelNow:
    """What is known of the level after one reading; see `benchwatch.estimate.results.Numbers`."""

    estimate: Estimate
    noise: float | None
    confirmed_nudge: Nudge | None = None
    suspect: bool = False
    spike_at_s: float | None = None


class Level:
    """The level since the last step, found from the readings alone.

    Memory is constant and the work a reading bounded.
    """

    def __init__(self) -> None:
        self._gate_s: float | None = None
        self._noise = NoiseScale()
        self._runs = Runs()
        self._wander = Wander()
        self._recent: deque[tuple[int, float, float]] = deque(maxlen=BEFORE + AFTER + 1)
        """Number, time and offset of the newest readings, lone wild ones left out."""
        self._number = 0
        self._confirmed = 0
        """Number of the first reading after the last confirmed nudge or gap."""
        self._broken = 0
        """The same of the last step that was at least probable."""
        self._left = 0
        """Number of the first reading that an established level did not explain."""
        self._fed = 0
        """Number of the last reading that went into the wander."""
        self._suspect = False

    def gap(self) -> None:
        """Forget the level and start afresh; noise and wander stay known."""
        self._noise.gap()
        self._runs.clear()
        self._wander.restart()
        self._recent.clear()
        self._suspect = False

    def add(
        self, elapsed_s: float, offset: float, *, gate_s: float | None, resolution: float
    ) -> LevelNow:
        """Take one finite reading and say where the level is.

        Args:
            elapsed_s: middle of the gate, seconds, any origin.
            offset: fractional offset.
            gate_s: gate time, None when unknown; at a change everything starts afresh, because
                noise at one gate says nothing of another.
            resolution: weight of the last digit, as a fraction; 0 when unknown.
        """
        if gate_s is not None and gate_s != self._gate_s:
            self.gap()
            self._gate_s, self._noise, self._wander = gate_s, NoiseScale(), Wander()
        noise, wander, runs = self._noise, self._wander, self._runs
        self._number += 1
        before = runs.best
        run = runs.add(
            self._number,
            elapsed_s,
            offset,
            sigma=noise.sigma,
            degrees=noise.degrees,
            most_readings=wander.most_readings,
            slope=wander.slope,
        )
        noise.add(offset, resolution)
        spike_at_s = None
        if self._suspect and run.wild_at == self._number - 1:
            spike_at_s = self._recent.pop()[1]
        if before is not None and before.readings >= _ESTABLISHED and run.readings == 1:
            self._left = self._number
        self._feed_wander()
        self._recent.append((self._number, elapsed_s, offset))
        self._suspect = (
            before is not None
            and before.readings >= _ESTABLISHED
            and run.readings == 1
            and not noise.moving
        )
        if before is None:
            self._confirmed = self._broken = run.start
        return LevelNow(
            estimate=self._estimate(run, elapsed_s),
            noise=noise.sigma or None,
            confirmed_nudge=self._confirm(run),
            suspect=self._suspect,
            spike_at_s=spike_at_s,
        )

    def _feed_wander(self) -> None:
        """Give the wander a reading so old that a step before it would be known by now."""
        if len(self._recent) <= AFTER:
            return
        number, _, offset = self._recent[-AFTER - 1]
        if number <= self._fed:
            return
        if self._fed < self._broken <= number:
            self._wander.restart()
        self._wander.add(offset, self._noise.sigma)
        self._fed = number

    def _confirm(self, run: Run) -> Nudge | None:
        """Confirm the step at which the best run began, if it is one."""
        degrees = self._noise.degrees
        if run.wild or degrees <= _LEAST_DEGREES:
            return None
        # In a fast warm-up no run lasts: there, ask of each reading in its turn.
        moving = self._noise.moving
        start = min(run.start, self._number - AFTER_MOVING + 1) if moving else run.start
        if start <= self._confirmed:
            return None
        reach = BEFORE_MOVING if moving else BEFORE
        # Turns in quick succession leave readings between that belong to neither level.
        left = self._left if 0 <= start - self._left <= _LONGEST_TURN else start
        left = max(left, self._confirmed)
        old = [(t, y) for k, t, y in self._recent if self._confirmed <= k < left][-reach:]
        new = [(t, y) for k, t, y in self._recent if k >= start][:AFTER]
        fit = fit_step(old, new, self._noise.sigma)
        if fit is None:
            return None
        u = fit.u(self._wander.excess_of_step(fit.shorter))
        unit = u * math.sqrt(degrees / (degrees - _LEAST_DEGREES))
        if abs(fit.size) > PROBABLE * unit:
            self._broken = start
        if abs(fit.size) <= SURE * unit:
            return None
        self._confirmed = self._broken = start
        self._runs.keep_from(min(start, run.start))
        at_s = next((t for k, t, _ in self._recent if k >= left), new[0][0])
        return Nudge(at_s, fit.size, u, max(new[0][0] - at_s, 0.0))

    def _creep(self, run: Run) -> float:
        """Variance of the mean from a motion that the young run itself shows.

        A trimmer creeps for a while after a turn. The mean lags behind by about half of what
        the run's halves differ by; that counts once it is no chance.
        """
        young = [y for k, _, y in self._recent if k >= run.start]
        half = len(young) // 2
        if half < _LEAST_HALF or run.readings < len(young) or self._wander.slope:
            return 0.0
        apart = sum(young[-half:]) / half - sum(young[:half]) / half
        chance = 2.0 * self._noise.sigma**2 / half
        return 0.25 * apart * apart if apart * apart > _NO_CHANCE * chance else 0.0

    def _estimate(self, run: Run, elapsed_s: float) -> Estimate:
        degrees = self._noise.degrees
        u = None
        if self._noise.sigma > 0.0 and degrees > _LEAST_DEGREES:
            white = max(self._runs.u**2, self._noise.sigma**2 / run.readings)
            white *= degrees / (degrees - _LEAST_DEGREES)
            wander = self._wander.variance_of_mean(run.readings)
            u = math.sqrt(white + max(wander, self._creep(run)))
        since = self._number - run.start + 1
        share = run.readings / since if run.readings >= self._wander.most_readings else 1.0
        span_s = (elapsed_s - run.start_s) * share + (self._gate_s or 0.0)
        return Estimate(self._runs.mean, u, run.readings, span_s)
