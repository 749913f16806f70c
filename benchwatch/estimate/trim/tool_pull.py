"""The pull of tool and hand: how far a tool on the trimmer shifts the frequency.

A tool's weight can pull a trimmer by parts in 10^9 and lets go when it is lifted (common
practice, no source). The operator reports when it goes on and comes off; the step in the
readings at that time is one sample of the pull. With the tool on, the aim is the pull itself:
lifted from there, the oscillator lands on its nominal.

Only the operator can distinguish a first touch from a touch with a turn. So the step of the first
touch is shown as a first touch, and used as the aim while the tool stays on; it is called the pull
once a lift has undone as much.

This module decides which step belongs to which touch; `pull_samples` learns from it.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from benchwatch.estimate.results import Nudge
from benchwatch.estimate.trim.mean_pull import MeanPull, PullSample
from benchwatch.estimate.trim.pull_samples import (
    TOUCH_WITHIN_S,
    UNLIKE_SHARE,
    KnownSamples,
    PullSamples,
    TouchStep,
)
from benchwatch.estimate.trim.rest_level import FEWEST_READINGS, RestingLevel, RestLevel

LATE_SPACINGS: Final = 1.5
"""A reading may show a step up to so many spacings before its time stamp."""
REST_S: Final = 1.0
"""Hand and trimmer need so long to come to rest (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ToolState:
    """Whether the tool is on, its pull, and the aim."""

    on: bool = False
    since_s: float | None = None
    pull: MeanPull | None = None
    first: MeanPull | None = None
    """Step of the first touch while the tool is still on: the pull, unless the trimmer was turned
    with it; None once a lift has decided between the two."""

    @property
    def aims_by(self) -> MeanPull | None:
        """The pull used as the aim, or the step of the first touch; None with the tool off."""
        return (self.pull or self.first) if self.on else None

    @property
    def aim(self) -> float:
        """The offset that becomes zero once the tool is lifted (fractional)."""
        return self.aims_by.size if self.aims_by is not None else 0.0

    @property
    def aim_u(self) -> float:
        """Standard uncertainty of `aim`; 0 with the tool off."""
        return (self.aims_by.u or 0.0) if self.aims_by is not None else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Touch:
    """The newest touch: the tool put on the trimmer, or lifted."""

    on: bool = False
    at_s: float | None = None
    """Time at which the operator reported it; None without a report in this run."""
    seen: bool = True
    """Whether a step in the readings was taken for this touch."""
    hurried: bool = False
    """Whether it came before the previous touch was seen: a step may belong to either."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _EarlyTouch:
    """State to restore where a step before the key was wrongly taken for the touch."""

    claimed: bool
    """Whether the step was taken for the touch."""
    unlike: float
    """Its unsigned difference from the touch expected before, fractional."""
    known: KnownSamples
    """The samples before the step."""


class ToolPull:
    """Learns the pull from the operator's touches and the steps in the readings."""

    def __init__(self) -> None:
        self._touch = _Touch()
        self._readings = 0
        """Number of readings since the newest touch."""
        self._moves = False
        """Whether the newest step was taken for the newest touch."""
        self._last_s = math.nan
        self._spacing_s = 0.0
        """Between the newest two readings."""
        self._noise: float | None = None
        self._level = RestLevel()
        """Level since hand and trimmer came to rest after the newest step."""
        self._samples = PullSamples()
        self._recent: TouchStep | None = None
        """The newest step not taken for a touch."""
        self._early: _EarlyTouch | None = None
        """None where no step before the newest key may have been its touch."""
        self.reassigned = False
        """Whether the newest step is the touch for which the step before was taken at first."""
        self.state = ToolState()
        """The present state of the tool."""

    @property
    def samples(self) -> tuple[PullSample, ...]:
        """The proved samples, for `resume`."""
        known = self._samples.known
        return () if known.unproved else known.samples

    def resume(self, samples: Iterable[PullSample], *, on: bool = False) -> None:
        """Begin with the samples of an interrupted run, and with the tool on or off."""
        self._touch = replace(self._touch, on=on)
        self._samples.resume(tuple(samples))
        self._renew()

    def unsettled(self, at_s: float) -> bool:
        """Return whether readings up to `at_s` may be from before the newest touch, or not at rest.

        Not at rest: hand and trimmer still move after the touch.
        """
        touch = self._touch
        if touch.at_s is None:
            return False
        since_s = at_s - touch.at_s
        if not touch.seen:
            return self._readings < FEWEST_READINGS or since_s < self._late_s
        moves = self._moves and self._level.readings < FEWEST_READINGS
        return moves and since_s < self._late_s + REST_S + FEWEST_READINGS * self._spacing_s

    def touch(self, at_s: float, *, on: bool) -> bool:
        """Take the operator's report at `at_s` that the tool is on the trimmer, or off.

        Returns:
            Whether the newest step, so far not taken for a touch, is taken for this one.
        """
        was = self._touch
        if on == was.on:
            return False
        self._refine(at_s)
        self._samples.end_refining()
        self._samples.doubt_no_more()
        since_s = math.inf if was.at_s is None else at_s - was.at_s
        hurried = not was.seen and since_s <= self._late_s
        self._touch = _Touch(on=on, at_s=at_s, seen=False, hurried=hurried)
        self._readings = 0
        self._moves, self._early = False, None
        if self._recent is not None and self._may_be_touch(self._recent.nudge):
            known = self._samples.known
            self._moves = self._claim(self._recent) is None
            if known.samples:
                unlike = abs(known.unlike(self._recent.nudge, on=on))
                self._early = _EarlyTouch(claimed=self._moves, unlike=unlike, known=known)
        self._recent = None
        self._renew()
        return self._moves

    def step(self, nudge: Nudge) -> Nudge | None:
        """Take a step in the readings; return its part that was a turn, None where none was."""
        step = TouchStep(nudge, self._standing(nudge.at_s))
        self._reassign(nudge)
        again = self._still_moves(nudge)
        if again is not None:
            step = again.continued(nudge)
            self._samples.take_back()
        ended_s = nudge.at_s + nudge.lasted_s
        self._samples.finish(nudge, self._standing(nudge.at_s), self._standing(ended_s))
        self._level.begin(ended_s + REST_S)
        self._moves = again is not None or self._comes_with_touch(nudge)
        turn = self._claim(step) if self._moves else nudge
        self._recent = None if turn is None else TouchStep(nudge, step.before)
        self._renew()
        return turn

    def add(self, at_s: float, offset: float, noise: float | None) -> None:
        """Take a reading, after `step` where it confirmed one.

        Args:
            at_s: middle of the gate.
            offset: fractional.
            noise: spread (sd) of single readings, None while unknown.
        """
        self._readings += 1
        if at_s > self._last_s:
            self._spacing_s = at_s - self._last_s
        self._last_s, self._noise = at_s, noise
        if at_s < self._level.from_s:
            return
        self._level.add(at_s, offset)
        if self._touch.at_s is not None and self._samples.await_rest:
            self._learn_at_rest(offset)

    def _learn_at_rest(self, offset: float) -> None:
        """Learn from the level at rest, which the reading with this `offset` has joined."""
        samples = self._samples
        samples.end_where_off(offset, self._noise)
        self._refine(math.inf)
        if samples.bear_out(self._standing(math.inf)):
            self._renew()
        if self._level.full:
            samples.end_refining()

    def gap(self) -> None:
        """Note a gap in the readings: the level before it is discarded."""
        self._level.clear()
        self._samples.end_refining()
        self._samples.doubt_no_more()
        self._recent = self._early = None
        self._last_s = math.nan

    @property
    def _late_s(self) -> float:
        """Longest time from the key to the time stamp of a step that comes with the touch."""
        return TOUCH_WITHIN_S + LATE_SPACINGS * self._spacing_s

    def _still_moves(self, nudge: Nudge) -> TouchStep | None:
        """Return the step just taken for a touch, if `nudge` continues it; else None."""
        first = self._samples.newest_step
        if first is None or not self._samples.known.samples:
            return None
        ended_s = first.nudge.at_s + first.nudge.lasted_s
        soon = nudge.at_s + nudge.lasted_s - ended_s <= REST_S + LATE_SPACINGS * self._spacing_s
        return first if soon and first.nudge.size * nudge.size > 0.0 else None

    def _comes_with_touch(self, nudge: Nudge) -> bool:
        touch = self._touch
        if touch.seen or touch.at_s is None:
            return False
        return -TOUCH_WITHIN_S <= nudge.at_s - touch.at_s <= self._late_s

    def _may_be_touch(self, nudge: Nudge) -> bool:
        """Return whether a step before the key came with the touch, and was not a turn before it.

        An operator may turn the trimmer and lift the tool in one go: where samples exist, a step
        unlike them is a turn, and the touch is matched with a later step.
        """
        if not self._comes_with_touch(nudge):
            return False
        known = self._samples.known
        if not known.samples:
            return True
        unlike = abs(known.unlike(nudge, on=self._touch.on))
        return unlike <= UNLIKE_SHARE * abs(known.samples[-1][0])

    def _reassign(self, nudge: Nudge) -> None:
        """Match the touch with `nudge` instead of a step before the key, if `nudge` fits better.

        If the tool is lifted just after a turn, the turn may look like the lift.
        """
        self.reassigned = False
        early, touch = self._early, self._touch
        if early is None or touch.at_s is None:
            return
        self._early = None
        came_s = nudge.at_s + nudge.lasted_s - touch.at_s
        if came_s > self._late_s or abs(early.known.unlike(nudge, on=touch.on)) >= early.unlike:
            return
        self._samples.restore(early.known)
        self._touch = replace(touch, seen=False)
        self.reassigned = early.claimed

    def _claim(self, step: TouchStep) -> Nudge | None:
        """Match a step with the newest touch; return its part that must have been a turn."""
        touch = self._touch
        if touch.hurried:
            return None
        self._touch = replace(touch, seen=True)
        turned = self._samples.learn(step, on=touch.on)
        self._refine(math.inf)
        return turned

    def _refine(self, until_s: float) -> None:
        """Refine the newest sample by the level at rest before `until_s`."""
        if self._samples.refining and self._samples.refine(self._standing(until_s)):
            self._renew()

    def _standing(self, until_s: float) -> RestingLevel | None:
        """Return the level of the readings at rest before `until_s`."""
        return self._level.standing(until_s, self._noise)

    def _renew(self) -> None:
        touch, mean = self._touch, self._samples.mean()
        unproved = self._samples.known.unproved
        self.state = ToolState(
            on=touch.on,
            since_s=touch.at_s,
            pull=None if unproved else mean,
            first=mean if unproved and touch.on else None,
        )
