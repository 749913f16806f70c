"""Detection of turns of the trimmer among the steps of the level.

A technician often gives several turns in quick succession, with a reading or two between, or none.
So a new level is compared with the last one that stood for a while, and a nudge is the part of the
way from there that earlier nudges have not reported: they add up to the whole way. A turn too small
to be confirmed alone adds to the next one, or to the one soon before it. The new level
must have come to rest: a level that moves on as before is a warm-up or a drift. A turn there and
back is a nudge of size 0, shown by readings between that belong to neither level. A step that the
creep of the last turn explains is part of that turn (`creep_tracker`).
"""

import math
from collections import deque
from dataclasses import replace
from operator import attrgetter
from typing import Final

from benchwatch.estimate.level.change_points import StableRun
from benchwatch.estimate.level.creep_tracker import CreepTracker, NumberedReading
from benchwatch.estimate.level.level_step import (
    LEAST_DEGREES,
    UNEXPLAINED_SDS,
    WANDER_FACTOR,
    LevelStep,
    NewestLevel,
    Origin,
    Standing,
    first_moved_s,
    measure_step,
    shown_by_digits,
)
from benchwatch.estimate.level.low_frequency_noise import LowFrequencyNoise
from benchwatch.estimate.level.oscillator_steps import OscillatorSteps
from benchwatch.estimate.level.reading_noise import ReadingNoise
from benchwatch.estimate.regression import Point
from benchwatch.estimate.results import Nudge

CONFIRMED_U: Final = 6.0
"""A nudge is confirmed when the step is this many times its own uncertainty."""
PROBABLE_U: Final = 2.5
"""A step of more than so many u is kept out of the wander of the oscillator."""
READINGS_BEFORE: Final = 60
READINGS_AFTER: Final = 12
"""Most readings used on either side of a step. A level of more than `READINGS_AFTER` stands."""
READINGS_BEFORE_MOVING: Final = 8
READINGS_AFTER_MOVING: Final = 3
"""The same while no level stands: so few that the bend of a warm-up does not look like a step."""
SERIES_READINGS: Final = 64
"""Readings that a series of turns may take without a level between them that stands."""
TURNING_READINGS: Final = 256
"""Readings after a nudge in which the trimmer is taken to be turned, and readings for which a
probable step is kept that was too small to be confirmed: further turns add to it."""
FIRST_SUM_U: Final = 10.0
"""Small steps are confirmed by their sum from `CONFIRMED_U`; from so many u where nobody has turned
the trimmer lately: a slow change of the oscillator may look like many small steps."""
SLOPE_READINGS: Final = 512
"""Readings for which the slope of a level that stood for long is still known in shorter ones."""
DRIFT_SHARE: Final = 0.5
"""Small steps do not add up where the known drift moves the level by more than this part of it."""
EXCURSION_READINGS: Final = 3
"""So many readings off a level that returns are turns there and back; fewer are left out."""
REST_RATIO: Final = 2.0
"""A level has come to rest when it moves so many times less than on the way to it."""


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
        self._standing = Standing()
        self._standing_end = -SERIES_READINGS
        """First reading after the level that stood last."""
        self._unreported: Origin | None = None
        """The level before a probable step that was too small to be confirmed; None without."""
        self._level_end = 0
        """First reading that does not belong to the newest known level."""
        self._slope_sd = math.inf
        """Largest likely slope a reading of the last level that stood for long ..."""
        self._slope_until = 0
        """... and the last reading for which it counts."""
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

    def touch(self, at_s: float) -> None:
        """Note that the tool is put on the trimmer or lifted: its pull adds to no turn before."""
        self.creep.touch(at_s)
        self._unreported = None

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
        first = max(run.start, run.wild_at + 1)
        known = run.start <= max(standing.first, self.confirmed)
        back = known and not run.wild and first - self._level_end < EXCURSION_READINGS
        if back:
            self._drop_strays(run.mean, UNEXPLAINED_SDS * noise.sigma)
            self._level_end = number + 1
        self.recent.append(reading)
        if self.creep.follows:
            other = self._is_other_level(run, noise, wander)
            self.creep.add(reading, run, noise.sigma, other_level=other)
        stands = back and run.start <= standing.first
        if stands or (not run.wild and number - first >= READINGS_AFTER):
            first = max(run.start, self.confirmed)
            if standing.first != first or standing.nudges:
                self._unreported = self._unreported_before(self._level_from(first, noise, wander))
                self._standing = Standing(first)
            self._standing_end = self._level_end = number + 1
            return None
        if back or run.wild or noise.degrees <= LEAST_DEGREES or not noise.sigma:
            return None
        if number - self._standing_end <= SERIES_READINGS:
            end = min(self._standing_end, first)
            old = self._points_between(standing.first, end)[-READINGS_BEFORE:]
        else:
            # In a fast warm-up no run lasts: each reading may be the first after a step.
            self._discard_level()
            self._level_end = first = min(first, number - READINGS_AFTER_MOVING + 1)
            old = self._points_between(self.confirmed, first)[-READINGS_BEFORE_MOVING:]
        if first <= self.confirmed:
            return None
        return self._confirm(old, self._level_from(first, noise, wander))

    def _level_from(
        self, first: int, noise: ReadingNoise, wander: LowFrequencyNoise
    ) -> NewestLevel:
        return NewestLevel(first, self._points_between(first)[:READINGS_AFTER], noise, wander)

    def _is_other_level(
        self, run: StableRun, noise: ReadingNoise, wander: LowFrequencyNoise
    ) -> bool:
        """Return whether the best run is a level since the newest nudge, and no creep after it."""
        if run.wild:
            return self.creep.holds
        if run.start <= self.confirmed or not noise.sigma:
            return False
        return not self._creeps(self._level_from(run.start, noise, wander), PROBABLE_U)

    def _unreported_before(self, newest: NewestLevel) -> Origin | None:
        """Return the level before a probable step to the newest level, which now stands.

        Small turns add up from there; one that comes soon after a nudge becomes a part of it. A
        step that the hand makes while it comes to rest is none of them.
        """
        left = min(self._level_end, newest.first)
        points = self._points_between(self._standing.first, min(self._standing_end, newest.first))
        origin = self._unreported or Origin(self._standing, points[-READINGS_BEFORE:], left)
        known = newest.noise.sigma and newest.noise.degrees > LEAST_DEGREES
        lately = newest.first >= origin.left >= self.recent[-1][0] - TURNING_READINGS
        if not (known and lately) or self.creep.hand_moves(newest.points[0][0]):
            return None
        step = self._step_from(origin, newest, slope_known=True)
        if step is None or not step.exceeds(PROBABLE_U * newest.student):
            return None
        recurs = self._recurs(step, newest, abs(step.size) / (2.0 * CONFIRMED_U))
        if recurs or self._drifts(step, newest) or self._creeps(newest, PROBABLE_U):
            return None
        return None if self._extends_nudge(step, newest) else origin

    def _extends_nudge(self, step: LevelStep, newest: NewestLevel) -> bool:
        """Make a step a part of the newest nudge, if it came soon after that; return whether."""
        standing = step.origin.standing
        if not standing.nudges or newest.first - self.confirmed > SERIES_READINGS:
            return False
        size, after = step.fit.size - standing.earlier, step.fit.after[1]
        if not self.creep.extend(size, step.size_u, after, newest.points, newest.noise.sigma):
            return False
        self.confirmed = newest.first
        return True

    def _discard_level(self) -> None:
        """Discard the level from which turns are measured."""
        self._standing, self._standing_end = Standing(), -SERIES_READINGS
        self._unreported, self._slope_until = None, 0

    def _drop_strays(self, level: float, most: float) -> None:
        """Drop the newest readings that lie farther than `most` from the `level` that returned."""
        while self.recent and self.recent[-1][0] >= self._level_end:
            if abs(self.recent[-1][2] - level) <= most:
                break
            self.recent.pop()

    def _points_between(self, first: int, end: float = math.inf) -> list[Point]:
        return [(t, y) for number, t, y in self.recent if first <= number < end]

    def _confirm(self, old: list[Point], newest: NewestLevel) -> Nudge | None:
        """Return the nudge from the `old` level to the newest one; None if unsure."""
        if len(old) == READINGS_BEFORE:
            self._slope_sd = newest.wander.trend.at_most(2 * READINGS_BEFORE)
            self._slope_until = newest.first + SLOPE_READINGS
        left = min(self._level_end, newest.first)
        standing = Origin(self._standing, old, left)
        way = self._step_from(standing, newest, slope_known=self._is_turning(newest))
        if way is None:
            return None
        steps = [way]
        if self._standing.nudges and not self.creep.hand_moves(newest.points[0][0]):
            since = self._points_between(self.confirmed, left)[-READINGS_BEFORE:]
            level = standing._replace(points=since, since_nudge=True)
            near = self._step_from(level, newest, slope_known=True)
            steps = sorted([way] if near is None else [way, near], key=attrgetter("size_u"))
        step = next((one for one in steps if self._is_turn(one, newest)), None)
        step = self._with_unreported(step, newest)
        return None if step is None else self._take_turn(step, way, newest)

    def _take_turn(self, step: LevelStep, way: LevelStep, newest: NewestLevel) -> Nudge:
        """Return the nudge that is a step; `way` is the one from the level that stood last."""
        left, sigma = step.origin.left, newest.noise.sigma
        self.creep.conclude(self._points_between(self.confirmed, left), sigma)
        whole = way if step.origin.since_nudge else step
        between, rested_s = self._points_between(left, newest.first), newest.points[0][0]
        began_s = between[0][0] if between else rested_s
        if whole.origin is not self._unreported:
            began_s = first_moved_s(whole, between, newest)
        nudge = Nudge(at_s=began_s, size=whole.size, u=whole.size_u, lasted_s=rested_s - began_s)
        self._oscillator_steps.add(
            newest.first, nudge.size, step.level_after(newest), nudge.size, READINGS_AFTER
        )
        size, u = self._size_on_record(step, whole, sigma)
        self.creep.begin(
            nudge if whole.size == size else replace(nudge, size=size, u=u),
            whole.fit.after[1],
            whole.origin.points,
            self._points_between(newest.first),
            sigma,
            slope_sd=whole.slope_sd,
        )
        self._standing = Standing(
            self._standing.first,
            nudges=self._standing.nudges + 1,
            reported=way.fit.size,
            reported_u=way.u,
            earlier=way.fit.size - size,
        )
        self._unreported = None
        self.confirmed = newest.first
        self._keep_from_wander(left, newest.first)
        self._level_end = self.recent[-1][0] + 1
        return nudge

    def _size_on_record(
        self, step: LevelStep, whole: LevelStep, sigma: float
    ) -> tuple[float, float]:
        """Return the part of a step that is not in the last sizes of the nudges before, and its u.

        Args:
            step: the step that shows the nudge.
            whole: the same, or the step from the level that stood.
            sigma: sd of single readings.
        """
        standing, before = whole.origin.standing, self.creep.newest
        if not standing.nudges or before is None:
            return whole.size, whole.size_u
        u = math.hypot(whole.u, max(standing.reported_u, self.creep.resized_u))
        if step.origin.since_nudge:
            u = min(u, math.hypot(step.u, self.creep.to_come_u(len(step.origin.points), sigma)))
        return whole.fit.size - standing.earlier - before.size, u

    def _with_unreported(self, step: LevelStep | None, newest: NewestLevel) -> LevelStep | None:
        """Return a step with those before it that were too small to be confirmed.

        Args:
            step: a turn to the newest level; None: it is too small as well.
            newest: that level.
        """
        if self._unreported is None:
            return step
        whole = self._step_from(self._unreported, newest, slope_known=True)
        if whole is None or self._drifts(whole, newest):
            return step
        if step is not None:
            return whole if whole.exceeds(PROBABLE_U * newest.student) else step
        times = CONFIRMED_U if self._is_turning(newest) else FIRST_SUM_U
        if not whole.exceeds(times * newest.student) or not self._rests(
            whole, abs(whole.size), newest
        ):
            return None
        return None if self._creeps(newest, CONFIRMED_U * newest.student) else whole

    def _is_turning(self, newest: NewestLevel) -> bool:
        """Return whether the trimmer was turned lately."""
        lately = newest.first - self.confirmed <= TURNING_READINGS
        moves = self.creep.hand_moves(newest.points[0][0])
        return self.creep.newest is not None and lately and not moves

    def _step_from(
        self, origin: Origin, newest: NewestLevel, *, slope_known: bool
    ) -> LevelStep | None:
        """Measure the step from `origin` to the newest level; None with too few readings.

        Of a level that is short, the slope may be known from a longer one before it.
        """
        old, slope_sd = origin.points, math.inf
        if slope_known and newest.first <= self._slope_until and 1 < len(old) < READINGS_BEFORE:
            slope_sd = self._slope_sd * (len(old) - 1) / (old[-1][0] - old[0][0])
        if origin is self._unreported:
            between = newest.first - origin.left
        else:
            between = len(self._points_between(origin.left, newest.first))
        return measure_step(origin, newest, between=between, slope_sd=slope_sd)

    def _drifts(self, step: LevelStep, newest: NewestLevel) -> bool:
        """Return whether the known drift alone moves the level by about as much as the step."""
        readings = newest.first - step.origin.left + READINGS_AFTER
        return abs(newest.wander.trend.slope) * readings > DRIFT_SHARE * abs(step.size)

    def _is_turn(self, step: LevelStep, newest: NewestLevel) -> bool:
        """Return whether a step is surely a turn of the trimmer; note the oscillator's own."""
        first, fit, size = newest.first, step.fit, step.size
        between = self._points_between(step.origin.left, first)
        if step.exceeds(PROBABLE_U * newest.student):
            self._keep_from_wander(first, first)
        sure = CONFIRMED_U * newest.student
        shown = step.exceeds(sure) or (not between and shown_by_digits(step, newest))
        moved = abs(size) if shown else 0.0
        if len(between) >= EXCURSION_READINGS:
            # A creep lies between the two levels, a turn there and back does not.
            off = [fit.from_after(point) for point in between]
            away = sorted(min(abs(y), abs(y + size)) for y in off)[-EXCURSION_READINGS]
            strays = WANDER_FACTOR * newest.wander.excess_of_step(len(between))
            white = max(fit.white, newest.noise.likely_rounding)
            if away > sure * math.sqrt(white + strays):
                moved = max(moved, away)
        if not self._rests(step, moved, newest):
            return False
        if self._recurs(step, newest, step.size_u):
            self._oscillator_steps.add(first, size, step.level_after(newest), 0.0, READINGS_AFTER)
            self._unreported = None
            return False
        return not self._creeps(newest, sure)

    def _recurs(self, step: LevelStep, newest: NewestLevel, u: float) -> bool:
        """Return whether a step, to within `u`, repeats one that the oscillator made by itself."""
        # The level right before the step is the old one plus the nudges reported since.
        before, steps = step.level_after(newest) - step.size, self._oscillator_steps
        return steps.recurs(newest.first, before, step.size, u, READINGS_AFTER)

    def _rests(self, step: LevelStep, moved: float, newest: NewestLevel) -> bool:
        """Return whether the newest level moves much less than on the way to it."""
        left = min(self._level_end, newest.first)
        before_s = next(t for number, t, _ in reversed(self.recent) if number < left)
        return moved > REST_RATIO * step.fit.bend * (newest.points[0][0] - before_s)

    def _creeps(self, newest: NewestLevel, sure: float) -> bool:
        """Return whether the creep of the last turn explains all readings since.

        Args:
            newest: what may be another level.
            sure: a step that keeps more u than this is not explained by the creep.
        """
        since = self._points_between(self.confirmed, newest.first)
        if not since:
            return False
        excess = newest.wander.excess_of_step(min(len(since), len(newest.points)))
        return self.creep.explains(since, newest.points, newest.noise.sigma, excess, sure)

    def _keep_from_wander(self, left: int, first: int) -> None:
        """Keep the readings between two levels out of the wander."""
        before, pending = self._kept_from_wander
        self._kept_from_wander = (before if pending > self._last_fed else left, first)
