"""The newest nudge, whose size is updated by the creep after it, and the creeps learned so far."""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from benchwatch.estimate.level.change_points import StableRun
from benchwatch.estimate.level.creep import TURNS_KEPT, Creep, LearnedCreep
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
        self._creep: Creep | None = None
        """None once the creep is over."""
        self._old_level = 0.0, 0.0
        """Level that the newest nudge is measured from, and its standard uncertainty."""
        self._possible_spike: NumberedReading | None = None
        """The newest reading, until the next one shows whether it is a spike."""
        self._touched_s = -math.inf
        """Time at which the tool was last put on the trimmer or lifted."""
        self._learned: deque[LearnedCreep] = deque(maxlen=TURNS_KEPT)
        """The creeps after the newest turns."""

    def touch(self, at_s: float) -> None:
        """Take a touch, the tool put on the trimmer or lifted: motion after it is no creep.

        A hand that comes to rest looks like a creep, but does not show how the next turn creeps.
        """
        self._end()
        self._possible_spike = None
        self._touched_s = at_s

    def restart(self) -> None:
        """Discard the nudge after a gap; the creeps of earlier turns are kept."""
        self._creep = self._possible_spike = self.newest = None

    def begin(
        self, nudge: Nudge, level: float, old: Sequence[Point], new: Sequence[Point], sigma: float
    ) -> None:
        """Start to follow the creep after a nudge.

        Args:
            nudge: just confirmed.
            level: right after it, fractional.
            old: readings of the level before it, oldest first, three at least.
            new: readings since, one at least.
            sigma: sd of single readings.
        """
        self._end()
        u = math.sqrt(max((nudge.u or 0.0) ** 2 - sigma**2 / 2, sigma**2 / len(old)))
        self.newest, self._old_level = nudge, (level - nudge.size, u)
        if nudge.at_s + nudge.lasted_s <= self._touched_s + WITH_TOUCH_S:
            return
        before = centred(old)
        slope, slope_u = before.slope, sigma / math.sqrt(before.tt)
        self._creep = Creep(
            new[0][0],
            level,
            nudge.size,
            spacing_s=(old[-1][0] - old[0][0]) / (len(old) - 1),
            slope=slope if abs(slope) > DRIFT_U * slope_u else 0.0,
            slope_u=slope_u,
            learned=self._learned,
        )
        self._possible_spike = None
        for at_s, offset in new:
            self._creep.add(at_s, offset, sigma)

    def add(self, reading: NumberedReading, run: StableRun, sigma: float) -> None:
        """Take a reading; a possible spike is used only once the next reading rules a spike out.

        Args:
            reading: the newest.
            run: the most likely run after that reading.
            sigma: sd of single readings.
        """
        creep, possible_spike = self._creep, self._possible_spike
        if creep is None:
            return
        self._possible_spike = None
        if possible_spike is not None and run.wild_at != possible_spike[0]:
            creep.add(possible_spike[1], possible_spike[2], sigma)
        if run.readings == 1 or run.wild:
            self._possible_spike = reading
            return
        creep.add(reading[1], reading[2], sigma)
        over = creep.over
        resting = creep.resting() if creep.fit_updated or over else None
        if resting is not None:
            self._resize(
                resting[0] - self._old_level[0], math.hypot(resting[1], self._old_level[1]), over
            )
        if over:
            self._end()

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

    def _resize(self, size: float, u: float, over: bool) -> None:
        """Change the size of the nudge, if the new one differs enough or is the final one."""
        assert self.newest is not None
        nudge = replace(self.newest, size=size, u=u)
        if over or nudge.differs(self.newest, PUBLISHED_CHANGE_U * u):
            self.newest = nudge

    def _end(self) -> None:
        """Store the learned creep and stop following it."""
        learned = self._creep.learned() if self._creep is not None else None
        if learned is not None:
            self._learned.append(learned)
        self._creep = None
