"""The newest nudge, whose size is updated by the creep after it, and the creeps learned so far."""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Final

from benchwatch.estimate.level.change_points import StableRun
from benchwatch.estimate.level.creep import FOLLOWED_READINGS, TURNS_KEPT, Creep, LearnedCreep
from benchwatch.estimate.regression import Point, centred
from benchwatch.estimate.results import Nudge, Rest

DRIFT_U: Final = 3.0
"""A slope before a turn counts as drift, and continues after it, from so many u."""
WITH_TOUCH_S: Final = 3.0
"""A step up to so long after a touch is the tool's: no creep is learned from it."""
PUBLISHED_CHANGE_U: Final = 0.25
"""Part of its u by which the size of a nudge must change before a new size is published."""

NumberedReading = tuple[int, float, float]
"""Number, time in seconds and fractional offset of a reading."""


class CreepTracker:
    """Follows the creep after the newest nudge until it is over."""

    def __init__(self) -> None:
        self.newest: Nudge | None = None
        """The newest nudge as it is known now; None after a gap."""
        self.revised: Nudge | None = None
        """The nudge before the newest, as its size became known when the newest was confirmed."""
        self._first_seen: Nudge | None = None
        """The newest nudge as it was confirmed."""
        self._creep: Creep | None = None
        """None once the creep is over."""
        self._new_creep: partial[Creep] | None = None
        """Makes that creep without any reading."""
        self._old_level = 0.0, 0.0
        """Level that the newest nudge is measured from, and its standard uncertainty."""
        self._held: list[NumberedReading] = []
        """The newest readings, until later ones show whether they are a spike or after another
        step."""
        self._touched_s = -math.inf
        """Time at which the tool was last put on the trimmer or lifted."""
        self._learned: deque[LearnedCreep] = deque(maxlen=TURNS_KEPT)
        """The creeps after the newest turns."""

    @property
    def follows(self) -> bool:
        """Whether a creep is followed."""
        return self._creep is not None

    @property
    def holds(self) -> bool:
        """Whether the newest readings may be a spike, or after another step."""
        return bool(self._held)

    def hand_moves(self, at_s: float) -> bool:
        """Return whether the newest nudge came with a touch whose hand may move at `at_s`."""
        if self.newest is None:
            return False
        ended_s = self.newest.at_s + self.newest.lasted_s
        return ended_s <= self._touched_s + WITH_TOUCH_S and at_s <= ended_s + WITH_TOUCH_S

    @property
    def resized_u(self) -> float:
        """Standard uncertainty of the newest nudge where its size has changed, else 0."""
        newest = self.newest
        return 0.0 if newest is None or newest is self._first_seen else newest.u or 0.0

    def to_come_u(self, readings: int, sigma: float) -> float:
        """Return the standard uncertainty of the creep still to come after the newest nudge.

        Args:
            readings: number of readings since that nudge.
            sigma: sd of single readings.
        """
        resting = None if self._creep is None else self._creep.resting()
        if resting is None:
            return 0.0
        return math.sqrt(max(resting[1] ** 2 - sigma**2 / readings, 0.0))

    def touch(self, at_s: float) -> None:
        """Take a touch, the tool put on the trimmer or lifted: motion after it is no creep.

        A hand that comes to rest looks like a creep, but does not show how the next turn creeps.
        """
        self._end()
        self._touched_s = at_s

    def restart(self) -> None:
        """Discard the nudge after a gap; the creeps of earlier turns are kept."""
        self._creep = self.newest = None
        self._held = []

    def begin(
        self,
        nudge: Nudge,
        level: float,
        old: Sequence[Point],
        new: Sequence[Point],
        sigma: float,
        *,
        slope_sd: float = math.inf,
    ) -> None:
        """Start to follow the creep after a nudge.

        Args:
            nudge: just confirmed.
            level: right after it, fractional.
            old: readings of the level before it, oldest first, three at least.
            new: readings since, one at least.
            sigma: sd of single readings.
            slope_sd: sd of the slope about 0 before these readings, per second; not 0.
        """
        self._end()
        self._first_seen = nudge
        u = math.sqrt(max((nudge.u or 0.0) ** 2 - sigma**2 / 2, sigma**2 / len(old)))
        self.newest, self._old_level = nudge, (level - nudge.size, u)
        if nudge.at_s + nudge.lasted_s <= self._touched_s + WITH_TOUCH_S:
            return
        before = centred(old)
        tt = before.tt + (sigma / slope_sd) ** 2
        slope, slope_u = before.ty / tt, sigma / math.sqrt(tt)
        self._new_creep = partial(
            Creep,
            new[0][0],
            level,
            nudge.size,
            spacing_s=(old[-1][0] - old[0][0]) / (len(old) - 1),
            slope=slope if abs(slope) > DRIFT_U * slope_u else 0.0,
            slope_u=slope_u,
            learned=tuple(self._learned),
        )
        self._follow(new, sigma)

    def extend(
        self, size: float, u: float, level: float, new: Sequence[Point], sigma: float
    ) -> bool:
        """Add a probable step, too small to be confirmed alone, to the newest nudge.

        Args:
            size: of the whole step, fractional.
            u: its standard uncertainty.
            level: right after it, fractional.
            new: readings after it, one at least.
            sigma: sd of single readings.

        Returns:
            Whether it was added: it may be the tool's where a touch was reported.
        """
        nudge = self.newest
        if nudge is None or nudge.at_s <= self._touched_s + WITH_TOUCH_S or self._new_creep is None:
            return False
        nudge = replace(nudge, size=size, u=u, lasted_s=new[0][0] - nudge.at_s)
        self.newest = self._first_seen = nudge
        self._old_level = level - size, math.sqrt(max(u**2 - sigma**2 / len(new), 0.0))
        self._held = []
        self._new_creep = partial(Creep, new[0][0], level, size, **self._new_creep.keywords)
        self._follow(new, sigma)
        return True

    def _follow(self, new: Sequence[Point], sigma: float) -> None:
        """Follow the creep of the newest nudge; one of size 0 has no size to creep by a part of."""
        assert self.newest is not None
        self._creep = self._after(new, sigma) if self.newest.size else None

    def _after(self, points: Sequence[Point], sigma: float) -> Creep:
        """Return the creep of the newest nudge after these readings alone."""
        assert self._new_creep is not None
        creep = self._new_creep()
        for at_s, offset in points:
            creep.add(at_s, offset, sigma)
        return creep

    def conclude(self, own: Sequence[Point], sigma: float) -> None:
        """Compute the size of the newest nudge for the last time: another one was confirmed.

        Before that, readings after the other one may have been taken for a creep.

        Args:
            own: readings after the newest nudge and before the other one, oldest first.
            sigma: sd of single readings.
        """
        self.revised = None
        if self._creep is None or self._creep.readings == len(own):
            return
        self._creep, was = self._after(own, sigma), self.newest
        if self._creep.resting() is None:
            self.newest = self._first_seen
        else:
            self._resize(self._creep, over=True)
        self.revised = None if self.newest == was else self.newest

    def add(
        self, reading: NumberedReading, run: StableRun, sigma: float, *, other_level: bool
    ) -> None:
        """Take a reading; one that may be a spike, or after another step, is used later or never.

        Args:
            reading: the newest.
            run: the most likely run after that reading.
            sigma: sd of single readings.
            other_level: that run is another level, which the creep does not explain.
        """
        creep = self._creep
        if creep is None:
            return
        if self._held and run.wild_at == self._held[-1][0]:
            self._held.pop()
        if not other_level:
            self._use_held(creep, sigma)
        if other_level or run.readings == 1 or run.wild:
            self._held.append(reading)
            if len(self._held) > FOLLOWED_READINGS:
                self._end()
            return
        creep.add(reading[1], reading[2], sigma)
        over = creep.over
        if creep.fit_updated or over:
            self._resize(creep, over=over)
        if over:
            self._end()

    def _use_held(self, creep: Creep, sigma: float) -> None:
        for _, at_s, offset in self._held:
            creep.add(at_s, offset, sigma)
        self._held = []

    def explains(
        self,
        before: Sequence[Point],
        after: Sequence[Point],
        sigma: float,
        excess: float,
        sure: float,
    ) -> bool:
        """Return whether the creep of the newest nudge explains a step; see `Creep.explains`."""
        return self._creep is not None and self._creep.explains(before, after, sigma, excess, sure)

    def rest(self, wander: float) -> Rest | None:
        """Return the level at which the creep will come to rest; None while there is no creep.

        Args:
            wander: variance of a mean of the readings since the turn, beyond white noise.
        """
        return None if self._creep is None else self._creep.rest(wander)

    def _resize(self, creep: Creep, *, over: bool) -> None:
        """Change the size of the nudge, if the new one differs enough or is the final one."""
        assert self.newest is not None
        resting = creep.resting()
        if resting is None:
            return
        size, u = resting[0] - self._old_level[0], math.hypot(resting[1], self._old_level[1])
        nudge = replace(self.newest, size=size, u=u)
        if over or nudge.differs(self.newest, PUBLISHED_CHANGE_U * u):
            self.newest = nudge

    def _end(self) -> None:
        """Store the learned creep and stop following it."""
        learned = self._creep.learned() if self._creep is not None else None
        if learned is not None:
            self._learned.append(learned)
        self._creep = None
        self._held = []
