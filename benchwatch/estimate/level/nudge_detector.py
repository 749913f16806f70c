"""Detection of turns of the trimmer among the steps of the level.

A technician often gives several turns in quick succession, with a reading or two between, or none.
So a new level is compared with the last one that stood for a while, and a nudge is the part of the
way from there that earlier nudges have not reported: they add up to the whole way. The new level
must have come to rest: a level that moves on as before is a warm-up or a drift. A turn there and
back is a nudge of size 0, shown by readings between that belong to neither level. A step that the
creep of the last turn explains is part of that turn (`creep_tracker`).
"""

import math
from collections import deque
from itertools import dropwhile
from typing import Final, NamedTuple

from benchwatch.estimate.level.change_points import StableRun
from benchwatch.estimate.level.creep_tracker import CreepTracker, NumberedReading
from benchwatch.estimate.level.low_frequency_noise import LowFrequencyNoise
from benchwatch.estimate.level.oscillator_steps import OscillatorSteps
from benchwatch.estimate.level.reading_noise import ReadingNoise
from benchwatch.estimate.level.step_fit import fit_step
from benchwatch.estimate.regression import Point
from benchwatch.estimate.results import Nudge
from benchwatch.estimate.rounding import digits_apart, rounding_variance

LEAST_DEGREES: Final = 2.0
"""A Student t has no standard deviation up to here, so u is not known: three differences."""
CONFIRMED_U: Final = 6.0
"""A nudge is confirmed when the step is this many times its own uncertainty."""
PROBABLE_U: Final = 2.5
"""A step of more than so many u is kept out of the wander of the oscillator."""
WANDER_FACTOR: Final = 2.5
"""Factor on the variance of the wander, which rests on few differences (by trial)."""
READINGS_BEFORE: Final = 60
READINGS_AFTER: Final = 12
"""Most readings used on either side of a step. A level of more than `READINGS_AFTER` stands."""
READINGS_BEFORE_MOVING: Final = 8
READINGS_AFTER_MOVING: Final = 3
"""The same while no level stands: so few that the bend of a warm-up does not look like a step."""
SERIES_READINGS: Final = 64
"""Readings that a series of turns may take without a level between them that stands."""
EXCURSION_READINGS: Final = 3
"""So many readings off a level that returns are turns there and back; fewer are left out."""
REST_RATIO: Final = 2.0
"""A level has come to rest when it moves so many times less than on the way to it."""
UNEXPLAINED_SDS: Final = 4.0
"""Readings farther than this many sd from a level do not belong to it."""
NOT_BEGUN_SHARE: Final = 0.1
"""Part of a step that readings before it may lie off the old level, by its creep."""


class _Standing(NamedTuple):
    """The level that stood last, from which turns are measured."""

    first: int = -1
    """Number of its first reading."""
    reported: float = 0.0
    """Part of the change since this level that nudges have reported, fractional."""
    reported_u: float = 0.0


class NudgeDetector:
    """Keeps the newest readings and the level that stood last; numbers of readings count up."""

    def __init__(self) -> None:
        self.recent: deque[NumberedReading] = deque(
            maxlen=READINGS_BEFORE + SERIES_READINGS + READINGS_AFTER + 1
        )
        """The newest readings; spikes and excursions are left out."""
        self.confirmed = 0
        """First reading after the last confirmed nudge or gap."""
        self.creep = CreepTracker()
        """The creep after the newest nudge."""
        self._standing = _Standing()
        self._standing_end = -SERIES_READINGS
        """First reading after the level that stood last."""
        self._level_end = 0
        """First reading that does not belong to the newest known level."""
        self._kept_from_wander = (0, 0)
        """First reading that belongs to no level before the last probable step, and the first of
        the level after it."""
        self._last_fed = 0
        """Number of the last reading passed on to the wander."""
        self._oscillator_steps = OscillatorSteps()

    def restart(self, number: int) -> None:
        """Restart with reading `number`, after a gap."""
        self.recent.clear()
        self.confirmed = self._level_end = number
        self._kept_from_wander = (number, number)
        self._discard_level()
        self._oscillator_steps.clear()
        self.creep.restart()

    def feed(self, wander: LowFrequencyNoise, sigma: float) -> None:
        """Pass on to `wander` a reading old enough for any step before it to be known."""
        if len(self.recent) <= READINGS_AFTER:
            return
        number, _, offset = self.recent[-READINGS_AFTER - 1]
        left, start = self._kept_from_wander
        if number <= self._last_fed or left <= number < start:
            return
        if self._last_fed < start <= number:
            wander.restart()
        wander.add(offset, sigma)
        self._last_fed = number

    def add(
        self,
        reading: NumberedReading,
        run: StableRun,
        noise: ReadingNoise,
        wander: LowFrequencyNoise,
    ) -> Nudge | None:
        """Take a reading and the best run after it; return the nudge that it confirms."""
        number, standing = reading[0], self._standing
        if self.creep.newest is not None:
            self.creep.add(reading, run, noise.sigma)
        first = max(run.start, run.wild_at + 1)
        known = run.start <= max(standing.first, self.confirmed)
        back = known and not run.wild and first - self._level_end < EXCURSION_READINGS
        if back:
            self._drop_strays(run.mean, UNEXPLAINED_SDS * noise.sigma)
            self._level_end = number + 1
        self.recent.append(reading)
        stands = back and run.start <= standing.first
        if stands or (not run.wild and number - first >= READINGS_AFTER):
            self._standing_end = self._level_end = number + 1
            first = max(run.start, self.confirmed)
            if standing.first != first or standing.reported_u:
                self._standing = _Standing(first)
            return None
        if back or run.wild or noise.degrees <= LEAST_DEGREES or not noise.sigma:
            return None
        if number - self._standing_end <= SERIES_READINGS:
            old = self._points_between(standing.first, min(self._standing_end, first))[
                -READINGS_BEFORE:
            ]
        else:
            # In a fast warm-up no run lasts: each reading may be the first after a step.
            self._discard_level()
            self._level_end = first = min(first, number - READINGS_AFTER_MOVING + 1)
            old = self._points_between(self.confirmed, first)[-READINGS_BEFORE_MOVING:]
        return self._confirm(old, first, noise, wander) if first > self.confirmed else None

    def _discard_level(self) -> None:
        """Discard the level from which turns are measured."""
        self._standing, self._standing_end = _Standing(), -SERIES_READINGS

    def _drop_strays(self, level: float, most: float) -> None:
        """Drop the newest readings that lie farther than `most` from the `level` that returned."""
        while self.recent and self.recent[-1][0] >= self._level_end:
            if abs(self.recent[-1][2] - level) <= most:
                break
            self.recent.pop()

    def _points_between(self, first: int, end: float = math.inf) -> list[Point]:
        return [(t, y) for number, t, y in self.recent if first <= number < end]

    def _confirm(
        self, old: list[Point], first: int, noise: ReadingNoise, wander: LowFrequencyNoise
    ) -> Nudge | None:
        """Return the nudge from the `old` level to that since reading `first`; None if unsure."""
        new = self._points_between(first)[:READINGS_AFTER]
        fit, standing = fit_step(old, new, noise.sigma), self._standing
        if fit is None:
            return None
        student = math.sqrt(noise.degrees / (noise.degrees - LEAST_DEGREES))
        left = min(self._level_end, first)
        between = self._points_between(left, first)
        # The oscillator wanders for as long as the middles of the two levels are apart.
        apart = len(between) + max(len(old), len(new))
        u = math.hypot(
            fit.u(WANDER_FACTOR * wander.excess_of_step(apart)), _rounding(noise, old, new)
        )
        size, size_u = fit.size - standing.reported, math.hypot(u, standing.reported_u)
        if abs(size) > PROBABLE_U * student * size_u:
            self._keep_from_wander(first, first)
        sure = CONFIRMED_U * student
        shown = abs(size) > sure * size_u or (not between and _digits_apart(noise, old, new))
        moved = abs(size) if shown else 0.0
        if len(between) >= EXCURSION_READINGS:
            # A creep lies between the two levels, a turn there and back does not.
            off = [fit.from_after(point) for point in between]
            away = sorted(min(abs(y), abs(y + size)) for y in off)[-EXCURSION_READINGS]
            strays = WANDER_FACTOR * wander.excess_of_step(len(between))
            if away > sure * math.sqrt(fit.white + strays):
                moved = max(moved, away)
        before_s = next(t for number, t, _ in reversed(self.recent) if number < left)
        if moved <= REST_RATIO * fit.bend * (new[0][0] - before_s):
            return None
        stands = fit.after[1] + fit.slope * (new[0][0] - fit.after[0])
        # The level right before the step is the old one plus the nudges reported since.
        if self._oscillator_steps.recurs(first, stands - size, size, u, READINGS_AFTER):
            self._oscillator_steps.add(first, size, stands, 0.0, READINGS_AFTER)
            return None
        if self._creeps(first, new, noise.sigma, sure, wander):
            return None
        off_most = max(UNEXPLAINED_SDS * math.sqrt(fit.white), NOT_BEGUN_SHARE * abs(size))
        moving = dropwhile(lambda point: abs(fit.from_after(point) + size) <= off_most, between)
        began_s = next(moving, new[0])[0]
        nudge = Nudge(at_s=began_s, size=size, u=size_u, lasted_s=new[0][0] - began_s)
        self._oscillator_steps.add(first, size, stands, size, READINGS_AFTER)
        self.creep.begin(nudge, fit.after[1], old, self._points_between(first), noise.sigma)
        self._standing = standing._replace(reported=fit.size, reported_u=u)
        self.confirmed = first
        self._keep_from_wander(left, first)
        self._level_end = self.recent[-1][0] + 1
        return nudge

    def _creeps(
        self, first: int, new: list[Point], sigma: float, sure: float, wander: LowFrequencyNoise
    ) -> bool:
        """Return whether the creep of the last turn explains all readings since.

        Args:
            first: number of the first reading of what may be another level.
            new: readings from that one on.
            sigma: sd of single readings.
            sure: a step that keeps more u than this is not explained by the creep.
            wander: of the oscillator.
        """
        since = self._points_between(self.confirmed, first)
        if not since:
            return False
        excess = wander.excess_of_step(min(len(since), len(new)))
        return self.creep.explains(since, new, sigma, excess, sure)

    def _keep_from_wander(self, left: int, first: int) -> None:
        """Keep the readings between two levels out of the wander."""
        before, pending = self._kept_from_wander
        self._kept_from_wander = (before if pending > self._last_fed else left, first)


def _rounding(noise: ReadingNoise, *levels: list[Point]) -> float:
    """Return the standard uncertainty of a step from rounding on either side."""
    if not noise.coarse:
        return 0.0
    return math.sqrt(
        math.fsum(rounding_variance([y for _, y in level], noise.quantum) for level in levels)
    )


def _digits_apart(noise: ReadingNoise, old: list[Point], new: list[Point]) -> bool:
    """Return whether the digits alone show that the level was turned."""
    if not noise.coarse:
        return False
    return digits_apart([y for _, y in old], [y for _, y in new], noise.quantum)
