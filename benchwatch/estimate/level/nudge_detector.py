"""Which steps of the level are turns of the trimmer.

A technician often gives several turns in quick succession, with a reading or two between, or
none. So a new level is compared with the last one that stood for a while, and a nudge tells what
the nudges since then have not told yet: they add up to the whole way. It must have come to rest:
what still moves as it did on the way is a warm-up or a drift. Turned there and back, the nudge is
of no size, but the readings between belong to neither level. What a creep of the last turn explains
is part of that turn, and its size grows by it.
"""

import math
from collections import deque
from dataclasses import replace
from typing import Final

from benchwatch.estimate.level.change_points import StableRun
from benchwatch.estimate.level.creep import LEARNED_FROM, Creep, LearnedCreep
from benchwatch.estimate.level.low_frequency_noise import LowFrequencyNoise
from benchwatch.estimate.level.oscillator_steps import OscillatorSteps
from benchwatch.estimate.level.reading_noise import ReadingNoise
from benchwatch.estimate.level.step_fit import StepFit, fit_step
from benchwatch.estimate.regression import Point, centred
from benchwatch.estimate.results import Nudge, Rest
from benchwatch.estimate.rounding import digits_apart, rounding_variance

LEAST_DEGREES: Final = 2.0
"""A Student t has no standard deviation up to here, so u is not known: three differences."""
SURE: Final = 6.0
"""A nudge is confirmed when the step is this many times its own uncertainty."""
PROBABLE: Final = 2.5
"""Past this many, the step is not counted as wander of the oscillator."""
DOUBT: Final = 2.5
"""Factor on the variance of the oscillator's wander, which few differences tell: by trial on random
walks."""
BEFORE: Final = 60
AFTER: Final = 12
"""Readings looked at on either side, at most; a level stands after more than these."""
BEFORE_MOVING: Final = 8
AFTER_MOVING: Final = 3
"""The same while no level stands, few enough for the bend of a warm-up not to pass for a step."""
LONGEST_SERIES: Final = 64
"""Readings that turns may take without a level between them that stands."""
EXCURSION: Final = 3
"""So many readings off a level that is back were turns there and back, fewer are left out."""
REST: Final = 2.0
"""A level has come to rest when it moves this many times less than on the way to it."""
DRIFTS: Final = 3.0
"""A slope of so many u before a turn goes on after it."""
WITH_TOUCH_S: Final = 3.0
"""A step up to so long after a touch is the tool's: no creep is learned from it."""
UNEXPLAINED: Final = 4.0
"""A level does not explain readings further off than this many sd."""

WORTH: Final = 0.25
"""Part of its u by which the size of a nudge changes before it is told anew."""

Entry = tuple[int, float, float]
"""Number, time in seconds and fractional offset of a reading."""


class NudgeDetector:
    """Keeps the newest readings and where the level stood last; numbers of readings count up."""

    def __init__(self) -> None:
        self.recent: deque[Entry] = deque(maxlen=BEFORE + LONGEST_SERIES + AFTER + 1)
        """The newest readings; lone wild ones and excursions are left out."""
        self._stands_from = -1
        """First reading of the level that stood last ..."""
        self._stood = -LONGEST_SERIES
        """... and the first after it."""
        self._told = 0.0
        self._told_u = 0.0
        """How much of the way from there nudges have told already."""
        self.confirmed = 0
        """First reading after the last confirmed nudge or gap."""
        self._left = 0
        """First reading that the level known last does not explain."""
        self._broken = (0, 0)
        """First reading that belongs to no level before the last probable step, and the first of
        the level after it."""
        self._fed = 0
        """The last reading that went into the wander."""
        self._own = OscillatorSteps()
        self._creep: Creep | None = None
        """What follows the newest turn; None once that is over."""
        self._touched_s = -math.inf
        """When the tool was put on the trimmer or lifted last."""
        self._waiting: Entry | None = None
        """The newest reading, until the next one tells whether it is a lone wild one."""
        self._learned: deque[LearnedCreep] = deque(maxlen=LEARNED_FROM)
        """What crept after the turns so far."""
        self.newest: Nudge | None = None
        """The newest nudge, as it is known now."""
        self._fixed = 0.0, 0.0
        """Level before it with what was told of it before, and the standard uncertainty."""

    def touch(self, at_s: float) -> None:
        """The tool is put on the trimmer or lifted at `at_s`: what moves now is no creep.

        A hand comes to rest like a creep, and what it shows says nothing of the next turn.
        """
        self._learn()
        self._waiting = None
        self._touched_s = at_s

    def restart(self, number: int) -> None:
        """Begin anew with reading `number`: a gap."""
        self.recent.clear()
        self.confirmed = self._left = number
        self._broken = (number, number)
        self._forget_level()
        self._own.clear()
        self._creep = self._waiting = self.newest = None

    def feed(self, wander: LowFrequencyNoise, sigma: float) -> None:
        """Give the wander a reading so old that a step before it would be known by now."""
        if len(self.recent) <= AFTER:
            return
        number, _, offset = self.recent[-AFTER - 1]
        left, start = self._broken
        if number <= self._fed or left <= number < start:
            return
        if self._fed < start <= number:
            wander.restart()
        wander.add(offset, sigma)
        self._fed = number

    def add(
        self, entry: Entry, run: StableRun, noise: ReadingNoise, wander: LowFrequencyNoise
    ) -> Nudge | None:
        """Take a reading and the best run after it; return the nudge that it confirms."""
        number = entry[0]
        if self._creep is not None:
            self._follow(entry, run, noise.sigma)
        first = max(run.start, run.wild_at + 1)
        known = run.start <= max(self._stands_from, self.confirmed)
        back = known and not run.wild and first - self._left < EXCURSION
        if back:
            self._leave_out(run.mean, UNEXPLAINED * noise.sigma)
            self._left = number + 1
        self.recent.append(entry)
        stands = back and run.start <= self._stands_from
        if stands or (not run.wild and number - first >= AFTER):
            self._stands_from, self._stood = max(run.start, self.confirmed), number + 1
            self._left = number + 1
            self._told = self._told_u = 0.0
            return None
        if back or run.wild or noise.degrees <= LEAST_DEGREES or not noise.sigma:
            return None
        if number - self._stood <= LONGEST_SERIES:
            old = self._between(self._stands_from, min(self._stood, first))[-BEFORE:]
        else:
            # In a fast warm-up no run lasts: there, ask of each reading in its turn.
            self._forget_level()
            self._left = first = min(first, number - AFTER_MOVING + 1)
            old = self._between(self.confirmed, first)[-BEFORE_MOVING:]
        return self._confirm(old, first, noise, wander) if first > self.confirmed else None

    def _forget_level(self) -> None:
        """No level stands that turns could be measured from."""
        self._stands_from, self._stood = -1, -LONGEST_SERIES
        self._told = self._told_u = 0.0

    def _leave_out(self, level: float, most: float) -> None:
        """Forget what the level that is back does not explain."""
        while self.recent and self.recent[-1][0] >= self._left:
            if abs(self.recent[-1][2] - level) <= most:
                break
            self.recent.pop()

    def _between(self, first: int, end: float = math.inf) -> list[Point]:
        return [(t, y) for number, t, y in self.recent if first <= number < end]

    def _confirm(
        self, old: list[Point], first: int, noise: ReadingNoise, wander: LowFrequencyNoise
    ) -> Nudge | None:
        """Confirm that the level was turned from the `old` one to that of reading `first` on."""
        new = self._between(first)[:AFTER]
        fit = fit_step(old, new, noise.sigma)
        if fit is None:
            return None
        student = math.sqrt(noise.degrees / (noise.degrees - LEAST_DEGREES))
        left = min(self._left, first)
        way = self._between(left, first)
        # The levels lie apart by as much as their middles do, and the oscillator strays meanwhile.
        apart = len(way) + max(len(old), len(new))
        u = math.hypot(fit.u(DOUBT * wander.excess_of_step(apart)), _rounding(noise, old, new))
        size, size_u = fit.size - self._told, math.hypot(u, self._told_u)
        if abs(size) > PROBABLE * student * size_u:
            self._break(first, first)
        sure = SURE * student
        shown = abs(size) > sure * size_u or (not way and _digits_apart(noise, old, new))
        moved = abs(size) if shown else 0.0
        if len(way) >= EXCURSION:
            # What creeps lies between the two levels, what was turned there and back does not.
            off = [fit.from_after(point) for point in way]
            away = sorted(min(abs(y), abs(y + size)) for y in off)[-EXCURSION]
            strays = DOUBT * wander.excess_of_step(len(way))
            if away > sure * math.sqrt(fit.white + strays):
                moved = max(moved, away)
        before_s = next(t for number, t, _ in reversed(self.recent) if number < left)
        if moved <= REST * fit.bend * (new[0][0] - before_s):
            return None
        stands = fit.after[1] + fit.slope * (new[0][0] - fit.after[0])
        # The level right before it is the old one with what was told since.
        if self._own.again(first, stands - size, size, u, AFTER):
            self._own.add(first, size, stands, 0.0, AFTER)
            return None
        if self._creeps(first, new, noise.sigma, sure, wander):
            return None
        began_s = way[0][0] if way else new[0][0]
        nudge = Nudge(began_s, size, size_u, new[0][0] - began_s)
        self._own.add(first, size, stands, size, AFTER)
        self._begin(nudge, fit, old, first, noise.sigma)
        self._told, self._told_u = fit.size, u
        self.confirmed = first
        self._break(left, first)
        self._left = self.recent[-1][0] + 1
        return nudge

    def _creeps(
        self, first: int, new: list[Point], sigma: float, sure: float, wander: LowFrequencyNoise
    ) -> bool:
        """Tell whether the creep of the last turn explains what came since, reading `first` on too.

        Args:
            first: number of the first reading of what may be another level.
            new: readings from that one on.
            sigma: sd of single readings.
            sure: a step of more u than this is none of the creep.
            wander: of the oscillator.
        """
        since = self._between(self.confirmed, first)
        if self._creep is None or not since:
            return False
        shorter = min(len(since), len(new))
        return self._creep.explains(since, new, sigma, wander.excess_of_step(shorter), sure)

    def _begin(
        self, nudge: Nudge, fit: StepFit, old: list[Point], first: int, sigma: float
    ) -> None:
        """Follow what creeps after `nudge`."""
        self._learn()
        level = fit.after[1]
        u = math.sqrt(max((nudge.u or 0.0) ** 2 - sigma**2 / 2, sigma**2 / len(old)))
        self.newest, self._fixed = nudge, (level - nudge.size, u)
        if nudge.at_s + nudge.lasted_s <= self._touched_s + WITH_TOUCH_S:
            return
        before = centred(old)
        slope, slope_u = before.slope, sigma / math.sqrt(before.tt)
        self._creep = Creep(
            self._between(first)[0][0],
            level,
            nudge.size,
            spacing_s=(old[-1][0] - old[0][0]) / (len(old) - 1),
            slope=slope if abs(slope) > DRIFTS * slope_u else 0.0,
            slope_u=slope_u,
            learned=self._learned,
        )
        self._waiting = None
        for point in self._between(first):
            self._creep.add(*point, sigma)

    def _learn(self) -> None:
        """Keep what the creep that is over has shown."""
        learned = self._creep.learned() if self._creep is not None else None
        if learned is not None:
            self._learned.append(learned)
        self._creep = None

    def _follow(self, entry: Entry, run: StableRun, sigma: float) -> None:
        """Give the creep a reading, a doubtful one as soon as the next has told that it is none."""
        creep, waiting = self._creep, self._waiting
        assert creep is not None
        assert self.newest is not None
        self._waiting = None
        if waiting is not None and run.wild_at != waiting[0]:
            creep.add(waiting[1], waiting[2], sigma)
        if run.readings == 1 or run.wild:
            self._waiting = entry
            return
        creep.add(entry[1], entry[2], sigma)
        over = creep.over
        resting = creep.resting() if creep.fresh or over else None
        if resting is not None:
            size, u = resting[0] - self._fixed[0], math.hypot(resting[1], self._fixed[1])
            better = replace(self.newest, size=size, u=u)
            if over or better.differs(self.newest, WORTH * u):
                self.newest = better
        if over:
            self._learn()

    def rest(self, variance: float) -> Rest | None:
        """Return where it is going to rest while it creeps.

        Args:
            variance: of a mean of the readings since the turn, beyond white noise.
        """
        return None if self._creep is None else self._creep.rest(variance)

    def _break(self, left: int, first: int) -> None:
        """Keep from the wander what lies between two levels."""
        before, pending = self._broken
        self._broken = (before if pending > self._fed else left, first)


def _rounding(noise: ReadingNoise, *levels: list[Point]) -> float:
    """Standard uncertainty of a step from rounding on either side."""
    if not noise.coarse:
        return 0.0
    return math.sqrt(
        math.fsum(rounding_variance([y for _, y in level], noise.quantum) for level in levels)
    )


def _digits_apart(noise: ReadingNoise, old: list[Point], new: list[Point]) -> bool:
    """Tell whether the digits alone show that the level was turned."""
    if not noise.coarse:
        return False
    return digits_apart([y for _, y in old], [y for _, y in new], noise.quantum)
