"""The pull of tool and hand: how far a tool on the trimmer shifts the frequency.

A tool's weight can pull a trimmer by parts in 10^9 and lets go when it is lifted (common
practice, no source). The operator says when it goes on and comes off; the step that the
counter sees with it is one sample of the pull. With the tool on, the place to aim for is the
pull itself: lifted from there, the oscillator lands on its nominal.

A hand comes to rest slowly, and the first reading may have been touched for a part of its gate
only. So a sample is the level once all is at rest minus the level before; until then it is the
step as it was seen first. Where another step comes before anything is at rest, nothing is learned.
Nobody can tell a touch from a touch and a turn by the first of them alone: a pull is told once a
lift has undone as much as the touch did.
"""

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from benchwatch.estimate.pull import Pull, mean_pull
from benchwatch.estimate.results import Nudge

WITHIN_S: Final = 3.0
"""A step so long before the key or after it comes with the touch: hands differ."""
LATE: Final = 1.5
"""A reading is stamped so many spacings later, at most, than what it shows first."""
REST_S: Final = 1.0
"""A hand, and the trimmer under it, need so long to come to rest (common practice, no source)."""
SAMPLES_KEPT: Final = 20
LEVEL: Final = 16
"""Readings of a level, at most: those far from the touch tell of drift and creep."""
LEAST: Final = 2
"""Readings at rest that a sample needs on either side."""
SURE: Final = 3.0
"""A step of fewer u than this has no size to learn from."""
MOVING: Final = 0.25
"""Part of a step by which it may fall short while the hand still comes to rest."""
UNLIKE_SHARE, UNLIKE_U = 0.5, 5.0
"""A step is no mere pull when it differs from the known one by this share of it and so many u."""
UNPROVED_SHARE: Final = 0.3
"""A first touch and its lift that differ by more than this share hold a turn between them."""
TRIMMED: Final = 4
"""One part in so many is left out at either end of a level: what a touch or a wild one spoilt."""
TRIMMED_U: Final = 1.1
"""sd of the mean of the middle half over that of the mean, for normal noise, by trial."""

Point = tuple[float, float]
"""Time in seconds, fractional offset."""
Level = tuple[float, float]
"""Fractional offset of readings at rest, and its standard uncertainty."""


@dataclass(frozen=True, slots=True)
class ToolState:
    """Where the tool is, what it does, and where to aim."""

    on: bool = False
    since_s: float | None = None
    pull: Pull | None = None

    @property
    def aim(self) -> float:
        """The offset that becomes zero once the tool is lifted (fractional)."""
        return self.pull.size if self.on and self.pull is not None else 0.0

    @property
    def aim_u(self) -> float:
        """Standard uncertainty of `aim`; 0 with the tool off."""
        return (self.pull.u or 0.0) if self.on and self.pull is not None else 0.0


class Tool:
    """Learns the pull from what the operator says and what the counter sees."""

    def __init__(self) -> None:
        self._on = False
        self._since_s: float | None = None
        self._seen = True
        """The counter has seen the newest touch."""
        self._heard = 0
        """Readings since the newest touch."""
        self._hurried = False
        """It came before the one before it was seen: whose a step is can't be told."""
        self._last_s = math.nan
        self._spacing_s = 0.0
        """Between the newest two readings."""
        self._noise: float | None = None
        self._level: deque[Point] = deque(maxlen=LEVEL)
        """Readings since all was at rest after the newest step."""
        self._rest_from_s = -math.inf
        self._recent: tuple[Nudge, Level | None] | None = None
        """The newest step that no touch has claimed, and the level before it."""
        self._samples: list[tuple[float, float | None]] = []
        self._before: Level | None = None
        """What the newest sample is measured from; None while none is being refined."""
        self._claimed: tuple[Nudge, Level | None] | None = None
        """The step that gave the newest sample, and the level before it."""
        self._first_seen = False
        """The newest sample is the step as it was seen first."""
        self._unproved = False
        """All samples are of touches that no lift has borne out: a turn may be in them."""
        self._unlike = 0
        """Touches in a row that were unlike the pull as known."""
        self._state = ToolState()

    @property
    def state(self) -> ToolState:
        """The present state."""
        return self._state

    @property
    def samples(self) -> tuple[tuple[float, float | None], ...]:
        """What single touches showed: size and standard uncertainty, fractional; for `resume`."""
        return () if self._unproved else tuple(self._samples)

    def resume(self, samples: Iterable[tuple[float, float | None]], *, on: bool = False) -> None:
        """Begin with what touches showed in an interrupted run, and with the tool on or off."""
        self._on = on
        self._samples = list(samples)[-SAMPLES_KEPT:]
        self._renew()

    def settling(self, at_s: float) -> bool:
        """Tell whether readings up to `at_s` may not have caught up with the newest touch yet."""
        if self._seen or self._since_s is None:
            return False
        return self._heard < LEAST or at_s - self._since_s < self._late_s

    def touch(self, at_s: float, *, on: bool) -> bool:
        """The operator says at `at_s` that the tool is `on`; tells whether a step is claimed."""
        if on == self._on:
            return False
        self._refine(at_s)
        self._before = None
        since_s = -math.inf if self._since_s is None else self._since_s
        self._hurried = not self._seen and at_s - since_s <= self._late_s
        self._on, self._since_s, self._seen, self._heard = on, at_s, False, 0
        claimed = False
        if self._recent is not None and self._may_be_touch(self._recent[0]):
            nudge, before = self._recent
            claimed = self._claim(nudge, before) is None
        self._recent = None
        self._renew()
        return claimed

    def step(self, nudge: Nudge) -> Nudge | None:
        """Take a step that the counter saw; return what of it was a turn, None where nothing."""
        before, whole, again = self._standing(nudge.at_s), nudge, self._still_moves(nudge)
        if again and self._claimed is not None:
            first, before = self._claimed
            self._samples.pop()
            self._before, self._first_seen = None, False
            whole = _together(first, nudge)
        self._finish(nudge.at_s)
        new_s = nudge.at_s + nudge.lasted_s
        self._rest_from_s = new_s + REST_S
        at_rest = [point for point in self._level if point[0] >= self._rest_from_s]
        self._level = deque(at_rest, maxlen=LEVEL)
        with_touch = again or self._comes_with_touch(nudge)
        turn = self._claim(whole, before) if with_touch else nudge
        self._recent = None if turn is None else (nudge, before)
        self._renew()
        return turn

    def hear(self, at_s: float, offset: float, noise: float | None) -> None:
        """Take a reading, after `step` where it confirmed one.

        Args:
            at_s: middle of the gate.
            offset: fractional.
            noise: spread (sd) of single readings, None while unknown.
        """
        self._heard += 1
        if at_s > self._last_s:
            self._spacing_s = at_s - self._last_s
        self._last_s, self._noise = at_s, noise
        if at_s < self._rest_from_s:
            return
        self._level.append((at_s, offset))
        self._refine(math.inf)
        if len(self._level) == LEVEL:
            self._before = None

    def gap(self) -> None:
        """Readings were missed: no level is carried across."""
        self._level.clear()
        self._before = self._recent = None
        self._last_s = math.nan

    @property
    def _late_s(self) -> float:
        """How long after the key a step may be stamped that comes with the touch."""
        return WITHIN_S + LATE * self._spacing_s

    def _still_moves(self, nudge: Nudge) -> bool:
        """Tell whether `nudge` is the rest of the touch that was claimed a moment ago."""
        if self._claimed is None or not self._first_seen:
            return False
        first, moments_s = self._claimed[0], REST_S + LATE * self._spacing_s
        ended_s = first.at_s + first.lasted_s
        return first.size * nudge.size > 0.0 and nudge.at_s - ended_s <= moments_s

    def _comes_with_touch(self, nudge: Nudge) -> bool:
        if self._seen or self._since_s is None:
            return False
        return -WITHIN_S <= nudge.at_s - self._since_s <= self._late_s

    def _may_be_touch(self, nudge: Nudge) -> bool:
        """Tell whether a step before the key came with the touch, and was not a turn before it.

        A trimmer is turned and the tool lifted in one go: where a touch was seen before, a step
        that is unlike it leaves the touch to the one that is still to come.
        """
        if not self._comes_with_touch(nudge):
            return False
        if not self._samples:
            return True
        pull = self._samples[-1][0]
        apart = nudge.size - (pull if self._on else -pull)
        return abs(apart) <= UNLIKE_SHARE * abs(pull)

    def _claim(self, nudge: Nudge, before: Level | None) -> Nudge | None:
        """Learn from a step that came with the touch; return what of it must have been a turn."""
        if self._hurried:
            return None
        self._seen = True
        if abs(nudge.size) < SURE * (nudge.u or 0.0):
            return None  # there and back: the touch was over before it could be seen
        if self._unproved and self._samples and not self._on:
            turned = self._contradiction(nudge)
            self._unproved = False
            if turned is not None:
                self._samples.clear()
                self._before = None
                return turned
        pull = mean_pull(self._samples)
        if pull is not None:
            more = nudge.size - (pull.size if self._on else -pull.size)
            u = math.hypot(nudge.u or 0.0, pull.u or 0.0)
            unlike = abs(more) > max(UNLIKE_SHARE * abs(pull.size), UNLIKE_U * u)
            self._unlike = self._unlike + 1 if unlike else 0
            if self._unlike == 1:
                return Nudge(nudge.at_s, more, u, nudge.lasted_s)
            if self._unlike > 1:
                self._samples.clear()
                self._unlike = 0
        size = nudge.size if self._on else -nudge.size
        u_seen = None if nudge.u is None else math.hypot(nudge.u, MOVING * size)
        self._unproved = self._on and (self._unproved or not self._samples)
        self._samples.append((size, u_seen))
        del self._samples[:-SAMPLES_KEPT]
        self._before, self._claimed, self._first_seen = before, (nudge, before), True
        self._refine(math.inf)
        return None

    def _contradiction(self, lift: Nudge) -> Nudge | None:
        """Return what was turned between the first touch and its lift, None where they agree."""
        size, u = self._samples[-1]
        more, u_more = lift.size + size, math.hypot(lift.u or 0.0, u or 0.0)
        if abs(more) <= max(UNPROVED_SHARE * abs(size), UNLIKE_U * u_more):
            return None
        return Nudge(lift.at_s, more, u_more, lift.lasted_s)

    def _refine(self, until_s: float) -> None:
        """Make the newest sample the level at rest minus the level before."""
        before = self._before
        after = None if before is None else self._standing(until_s)
        if before is None or after is None:
            return
        size, u = after[0] - before[0], math.hypot(after[1], before[1])
        self._samples[-1] = (size if self._on else -size, u)
        self._first_seen = False
        self._renew()

    def _finish(self, at_s: float) -> None:
        """Another step comes at `at_s`: what came since does not belong to the newest sample."""
        if self._before is not None:
            self._refine(at_s)
            self._before = None
        if self._first_seen and self._claimed and at_s - self._claimed[0].at_s < WITHIN_S:
            self._samples.pop()
        self._first_seen = False

    def _standing(self, until_s: float) -> Level | None:
        """Return the level of the readings at rest before `until_s`."""
        values = [offset for at_s, offset in self._level if at_s < until_s]
        count = len(values)
        if count < LEAST:
            return None
        early, late = math.fsum(values[: count // 2]), math.fsum(values[-(count // 2) :])
        moved = (late - early) / (count // 2)
        left_out = count // TRIMMED
        middle = sorted(values)[left_out : count - left_out]
        noise = abs(moved) if self._noise is None else self._noise
        u = math.hypot(TRIMMED_U * noise / math.sqrt(count), math.sqrt(0.5) * moved)
        return math.fsum(middle) / len(middle), u

    def _renew(self) -> None:
        pull = None if self._unproved else mean_pull(self._samples)
        self._state = ToolState(self._on, self._since_s, pull)


def _together(first: Nudge, second: Nudge) -> Nudge:
    """Return two steps as the one that they are parts of."""
    u = None if first.u is None or second.u is None else math.hypot(first.u, second.u)
    return Nudge(
        first.at_s,
        first.size + second.size,
        u,
        second.at_s + second.lasted_s - first.at_s,
    )
