"""The pull of tool and hand: how far a tool on the trimmer shifts the frequency.

A tool's weight can pull a trimmer by parts in 10^9 and lets go when it is lifted (common
practice, no source). The operator says when it goes on and comes off; the step that the
counter sees with it is one sample of the pull. With the tool on, the place to aim for is the
pull itself: lifted from there, the oscillator lands on its nominal.

A hand comes to rest slowly, and the first reading may have been touched for a part of its gate
only. So a sample is the level once all is at rest minus the level before; until then it is the
step as it was seen first. Where another step comes before anything is at rest, nothing is learned.
Only the person who did it can tell a first touch from a touch and a turn. So what the first touch
moved the offset by is said as just that, and aimed by while the tool stays on; it is called the
pull once a lift has undone as much.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from benchwatch.estimate.results import Nudge
from benchwatch.estimate.trim.mean_pull import MeanPull, mean_pull
from benchwatch.estimate.trim.rest_level import LEAST, Level, RestLevel

WITHIN_S: Final = 3.0
"""A step so long before the key or after it comes with the touch: hands differ."""
LATE: Final = 1.5
"""A reading is stamped so many spacings later, at most, than what it shows first."""
REST_S: Final = 1.0
"""A hand, and the trimmer under it, need so long to come to rest (common practice, no source)."""
SAMPLES_KEPT: Final = 20
SURE: Final = 3.0
"""A step of fewer u than this has no size to learn from."""
MOVING: Final = 0.25
"""Part of a step by which it may fall short while the hand still comes to rest."""
OFF_LEVEL: Final = 6.0
"""A reading of so many sd off a level at rest is not of it, nor one off by `MOVING`."""
UNLIKE_SHARE, UNLIKE_U = 0.5, 5.0
"""A step is no mere pull when it differs from the known one by this share of it and so many u."""
UNPROVED_SHARE: Final = 0.3
"""A first touch and its lift that differ by more than this share hold a turn between them."""


@dataclass(frozen=True, slots=True)
class ToolState:
    """Where the tool is, what it does, and where to aim."""

    on: bool = False
    since_s: float | None = None
    pull: MeanPull | None = None
    first: MeanPull | None = None
    """What the first touch moved the offset by, while the tool is still on: its pull, unless the
    trimmer was turned with it; None once a lift has told."""

    @property
    def aims_by(self) -> MeanPull | None:
        """What the aim goes by: the pull, or what the first touch did; None with the tool off."""
        return (self.pull or self.first) if self.on else None

    @property
    def aim(self) -> float:
        """The offset that becomes zero once the tool is lifted (fractional)."""
        return self.aims_by.size if self.aims_by is not None else 0.0

    @property
    def aim_u(self) -> float:
        """Standard uncertainty of `aim`; 0 with the tool off."""
        return (self.aims_by.u or 0.0) if self.aims_by is not None else 0.0


class ToolPull:
    """Learns the pull from what the operator says and what the counter sees."""

    def __init__(self) -> None:
        self._on = False
        self._since_s: float | None = None
        self._seen = True
        """The counter has seen the newest touch."""
        self._heard = 0
        """Readings since the newest touch."""
        self._moves = False
        """The newest step was the newest touch."""
        self._hurried = False
        """It came before the one before it was seen: whose a step is can't be told."""
        self._last_s = math.nan
        self._spacing_s = 0.0
        """Between the newest two readings."""
        self._noise: float | None = None
        self._level = RestLevel()
        """Since all was at rest after the newest step."""
        self._recent: tuple[Nudge, Level | None] | None = None
        """The newest step that no touch has claimed, and the level before it."""
        self._samples: list[tuple[float, float | None]] = []
        self._before: Level | None = None
        """What the newest sample is measured from; None while none is being refined."""
        self._claimed: tuple[Nudge, Level | None] | None = None
        """The step that gave the newest sample, and the level before it."""
        self._first_seen = False
        """The newest sample is the step as it was seen first."""
        self._as_seen: tuple[float, float | None] = 0.0, None
        """What the newest sample was then."""
        self._unproved = False
        """All samples are of touches that no lift has borne out: a turn may be in them."""
        self._unlike = 0
        """Touches in a row that were unlike the pull as known."""
        self._early: tuple[bool, float, list[tuple[float, float | None]], bool] | None = None
        """Whether a step before the key was taken for the touch, by how much it is unlike it, and
        what was known before that; None where there was none."""
        self._doubted: tuple[tuple[float, float | None], Level] | None = None
        """A first touch that its lift does not bear out as it was seen first, and the level before
        the lift."""
        self.given_back = False
        """The newest step is the touch that the one before it had been taken for."""
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
        """Tell whether readings up to `at_s` may not have caught up with the newest touch yet.

        Nor those while hand and trimmer come to rest after it.
        """
        if self._since_s is None:
            return False
        since_s = at_s - self._since_s
        if not self._seen:
            return self._heard < LEAST or since_s < self._late_s
        moves = self._moves and self._level.readings < LEAST
        return moves and since_s < self._late_s + REST_S + LEAST * self._spacing_s

    def touch(self, at_s: float, *, on: bool) -> bool:
        """The operator says at `at_s` that the tool is `on`; tells whether a step is claimed."""
        if on == self._on:
            return False
        self._refine(at_s)
        self._before = None
        since_s = -math.inf if self._since_s is None else self._since_s
        self._hurried = not self._seen and at_s - since_s <= self._late_s
        self._on, self._since_s, self._seen, self._heard = on, at_s, False, 0
        self._moves = False
        self._early = self._doubted = None
        claimed = False
        if self._recent is not None and self._may_be_touch(self._recent[0]):
            nudge, before = self._recent
            known = list(self._samples), self._unproved
            claimed = self._claim(nudge, before) is None
            self._moves = claimed
            if known[0]:
                self._early = claimed, abs(self._unlike_touch(nudge, known[0])), *known
        self._recent = None
        self._renew()
        return claimed

    def step(self, nudge: Nudge) -> Nudge | None:
        """Take a step that the counter saw; return what of it was a turn, None where nothing."""
        before, whole = self._standing(nudge.at_s), nudge
        self._give_back(nudge)
        again = self._still_moves(nudge)
        if again and self._claimed is not None:
            first, before = self._claimed
            self._samples.pop()
            self._before, self._first_seen = None, False
            whole = _together(first, nudge)
        self._finish(nudge)
        self._level.begin(nudge.at_s + nudge.lasted_s + REST_S)
        with_touch = again or self._comes_with_touch(nudge)
        turn = self._claim(whole, before) if with_touch else nudge
        self._moves = with_touch
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
        if at_s < self._level.from_s:
            return
        if self._before is not None and not self._first_seen and self._leaves(offset):
            self._before = None
        self._level.add(at_s, offset)
        self._refine(math.inf)
        self._bear_out()
        if self._level.full:
            self._before = None

    def gap(self) -> None:
        """Readings were missed: no level is carried across."""
        self._level.clear()
        self._before = self._recent = self._early = self._doubted = None
        self._last_s = math.nan

    @property
    def _late_s(self) -> float:
        """How long after the key a step may be stamped that comes with the touch."""
        return WITHIN_S + LATE * self._spacing_s

    def _leaves(self, offset: float) -> bool:
        """Tell whether a reading is off the level of the newest sample: a turn, not confirmed yet.

        Where so much creeps after a turn that no level stands, that may take a while.
        """
        size = self._samples[-1][0]
        level = (self._before or (0.0, 0.0))[0] + (size if self._on else -size)
        return abs(offset - level) > max(MOVING * abs(size), OFF_LEVEL * (self._noise or 0.0))

    def _still_moves(self, nudge: Nudge) -> bool:
        """Tell whether `nudge` is the rest of the touch that was claimed a moment ago."""
        if self._claimed is None or not self._samples:
            return False
        first, moments_s = self._claimed[0], REST_S + LATE * self._spacing_s
        ended_s = first.at_s + first.lasted_s
        arrived_s = nudge.at_s + nudge.lasted_s
        return first.size * nudge.size > 0.0 and arrived_s - ended_s <= moments_s

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
        apart = self._unlike_touch(nudge, self._samples)
        return abs(apart) <= UNLIKE_SHARE * abs(self._samples[-1][0])

    def _unlike_touch(self, nudge: Nudge, samples: list[tuple[float, float | None]]) -> float:
        """Return by how much a step differs from what the newest of `samples` makes of it."""
        return nudge.size - (samples[-1][0] if self._on else -samples[-1][0])

    def _give_back(self, nudge: Nudge) -> None:
        """Undo that a step before the key was taken for the touch, where `nudge` is more like it.

        Someone turns, and lifts the tool a moment later: the turn may look like the lift.
        """
        self.given_back = False
        if self._early is None or self._since_s is None:
            return
        claimed, apart, samples, unproved = self._early
        self._early = None
        came_s = nudge.at_s + nudge.lasted_s - self._since_s
        if came_s > self._late_s or abs(self._unlike_touch(nudge, samples)) >= apart:
            return
        self._samples, self._unproved = samples, unproved
        self._before, self._claimed, self._first_seen = None, None, False
        self._seen, self._doubted, self.given_back = False, None, claimed

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
                self._doubted = None if before is None else (self._samples[-1], before)
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
        self._as_seen = size, u_seen
        self._samples.append(self._as_seen)
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

    def _bear_out(self) -> None:
        """Take a doubted first touch back where the levels at rest about the lift bear it out.

        What crept after turns with the tool on counts to the step of the lift, as first seen.
        """
        after = None if self._doubted is None else self._standing(math.inf)
        if self._doubted is None or after is None:
            return
        first, before = self._doubted
        lift, u = before[0] - after[0], math.hypot(before[1], after[1])
        most = max(UNPROVED_SHARE * abs(first[0]), UNLIKE_U * math.hypot(u, first[1] or 0.0))
        if abs(lift - first[0]) <= most and not self._samples:
            self._samples = [first, (lift, u)]
            self._renew()
        self._doubted = None

    def _refine(self, until_s: float, most: float = math.inf) -> bool:
        """Make the newest sample the level at rest minus the level before; tell whether it is.

        Args:
            until_s: readings from here on are of another step.
            most: standard uncertainty above which it is left as it is, as a part of the sample.
        """
        before = self._before
        after = None if before is None else self._standing(until_s)
        if before is None or after is None:
            return False
        size, u = after[0] - before[0], math.hypot(after[1], before[1])
        if u > most * abs(size):
            return False
        self._samples[-1] = (size if self._on else -size, u)
        self._first_seen = False
        self._renew()
        return True

    def _finish(self, nudge: Nudge) -> None:
        """Another step comes: what came since does not belong to the newest sample."""
        if self._before is not None:
            ended_s = nudge.at_s + nudge.lasted_s
            if not self._refine(nudge.at_s) and not self._refine(ended_s, most=MOVING):
                # Readings after the step, before it was confirmed, passed for the level at rest.
                self._samples[-1], self._first_seen = self._as_seen, True
            self._before = None
        if self._first_seen and self._claimed and nudge.at_s - self._claimed[0].at_s < WITHIN_S:
            self._samples.pop()
        self._first_seen = False

    def _standing(self, until_s: float) -> Level | None:
        """Return the level of the readings at rest before `until_s`."""
        return self._level.standing(until_s, self._noise)

    def _renew(self) -> None:
        mean = mean_pull(self._samples)
        pull, first = (None, mean) if self._unproved else (mean, None)
        self._state = ToolState(self._on, self._since_s, pull, first if self._on else None)


def _together(first: Nudge, second: Nudge) -> Nudge:
    """Return two steps as the one that they are parts of."""
    u = None if first.u is None or second.u is None else math.hypot(first.u, second.u)
    return Nudge(
        first.at_s,
        first.size + second.size,
        u,
        second.at_s + second.lasted_s - first.at_s,
    )
