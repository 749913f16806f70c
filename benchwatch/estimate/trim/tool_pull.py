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
    def aim_pull(self) -> MeanPull | None:
        """The pull used as the aim, or the step of the first touch; None with the tool off."""
        return (self.pull or self.first) if self.on else None

    @property
    def aim(self) -> float:
        """The offset that becomes zero once the tool is lifted (fractional)."""
        return self.aim_pull.size if self.aim_pull is not None else 0.0

    @property
    def aim_u(self) -> float:
        """Standard uncertainty of `aim`; 0 with the tool off."""
        return (self.aim_pull.u or 0.0) if self.aim_pull is not None else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Touch:
    """The newest touch: the tool put on the trimmer, or lifted."""

    on: bool = False
    at_s: float | None = None
    """Time at which the operator reported it; None without a report in this run."""
    matched: bool = True
    """Whether a step in the readings was taken for this touch."""
    ambiguous: bool = False
    """Whether it came before the previous touch was seen: a step may belong to either."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _EarlyTouch:
    """State to restore where a step before the key was wrongly taken for the touch."""

    matched: bool
    """Whether the step was taken for the touch."""
    excess: float
    """Its unsigned difference from the touch expected before, fractional."""
    known: KnownSamples
    """The samples before the step."""


class ToolPull:
    """Learns the pull from the operator's touches and the steps in the readings."""

    def __init__(self) -> None:
        self._touch = _Touch()
        self._readings = 0
        """Number of readings since the newest touch."""
        self._step_is_touch = False
        """Whether the newest step was taken for the newest touch."""
        self._last_s = math.nan
        self._spacing_s = 0.0
        """Between the newest two readings."""
        self._noise: float | None = None
        self._level = RestLevel()
        """Level since hand and trimmer came to rest after the newest step."""
        self._samples = PullSamples()
        self._unmatched_step: TouchStep | None = None
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

    def resume(
        self, samples: Iterable[PullSample], *, on: bool = False, first: PullSample | None = None
    ) -> None:
        """Begin with the samples of earlier runs, and with the tool on or off.

        Args:
            samples: proved samples.
            on: whether the tool is on the trimmer.
            first: what it moved by when it went on, which no lift has confirmed yet.
        """
        self._touch = replace(self._touch, on=on)
        self._samples.resume(tuple(samples))
        if first is not None and on and not self._samples.known.samples:
            self._samples.known = KnownSamples((first,), unproved=True)
        self._renew()

    def unsettled(self, at_s: float) -> bool:
        """Return whether readings up to `at_s` may be from before the newest touch, or not at rest.

        Not at rest: hand and trimmer still move after the touch.
        """
        touch = self._touch
        if touch.at_s is None:
            return False
        since_s = at_s - touch.at_s
        if not touch.matched:
            return self._readings < FEWEST_READINGS or since_s < self._longest_delay_s
        moving = self._step_is_touch and self._level.readings < FEWEST_READINGS
        return (
            moving and since_s < self._longest_delay_s + REST_S + FEWEST_READINGS * self._spacing_s
        )

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
        self._samples.drop_doubted_touch()
        since_s = math.inf if was.at_s is None else at_s - was.at_s
        ambiguous = not was.matched and since_s <= self._longest_delay_s
        self._touch = _Touch(on=on, at_s=at_s, matched=False, ambiguous=ambiguous)
        self._readings = 0
        self._step_is_touch, self._early = False, None
        if self._unmatched_step is not None and self._may_be_touch(self._unmatched_step.nudge):
            known = self._samples.known
            self._step_is_touch = self._match(self._unmatched_step) is None
            if known.samples:
                excess = abs(known.excess(self._unmatched_step.nudge, on=on))
                self._early = _EarlyTouch(matched=self._step_is_touch, excess=excess, known=known)
        self._unmatched_step = None
        self._renew()
        return self._step_is_touch

    def step(self, nudge: Nudge) -> Nudge | None:
        """Take a step in the readings; return its part that was a turn, None where none was."""
        step = TouchStep(nudge, self._level_until(nudge.at_s))
        self._reassign(nudge)
        continued_step = self._step_continued(nudge)
        if continued_step is not None:
            step = continued_step.continued(nudge)
            self._samples.discard_newest()
        ended_s = nudge.at_s + nudge.lasted_s
        self._samples.end_newest(nudge, self._level_until(nudge.at_s), self._level_until(ended_s))
        self._level.begin(ended_s + REST_S)
        self._step_is_touch = (
            continued_step is not None
            or self._comes_with_touch(nudge)
            or self._contains_lift(nudge)
        )
        turn = self._match(step) if self._step_is_touch else nudge
        self._unmatched_step = None if turn is None else TouchStep(nudge, step.before)
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
        if self._touch.at_s is not None and self._samples.awaits_rest:
            self._learn_at_rest(offset)

    def _learn_at_rest(self, offset: float) -> None:
        """Learn from the level at rest, which the reading with this `offset` has joined."""
        samples = self._samples
        samples.end_refining_where_off(offset, self._noise)
        self._refine(math.inf)
        if samples.restore_doubted_touch(self._level_until(math.inf)):
            self._renew()
        if self._level.full:
            samples.end_refining()

    def gap(self) -> None:
        """Note a gap in the readings: the level before it is discarded."""
        self._level.clear()
        self._samples.end_refining()
        self._samples.drop_doubted_touch()
        self._unmatched_step = self._early = None
        self._last_s = math.nan

    @property
    def _longest_delay_s(self) -> float:
        """Longest time from the key to the time stamp of a step that comes with the touch."""
        return TOUCH_WITHIN_S + LATE_SPACINGS * self._spacing_s

    def _step_continued(self, nudge: Nudge) -> TouchStep | None:
        """Return the step just taken for a touch, if `nudge` continues it; else None."""
        first = self._samples.newest_step
        if first is None or not self._samples.known.samples:
            return None
        ended_s = first.nudge.at_s + first.nudge.lasted_s
        soon = nudge.at_s + nudge.lasted_s - ended_s <= REST_S + LATE_SPACINGS * self._spacing_s
        return first if soon and first.nudge.size * nudge.size > 0.0 else None

    def _comes_with_touch(self, nudge: Nudge) -> bool:
        touch = self._touch
        if touch.matched or touch.at_s is None:
            return False
        return -TOUCH_WITHIN_S <= nudge.at_s - touch.at_s <= self._longest_delay_s

    def _contains_lift(self, nudge: Nudge) -> bool:
        """Return whether a series of turns contains the lift of a tool whose pull is known."""
        touch = self._touch
        if touch.matched or touch.on or touch.at_s is None or not self._samples.known.samples:
            return False
        return nudge.at_s <= touch.at_s <= nudge.at_s + nudge.lasted_s

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
        excess = abs(known.excess(nudge, on=self._touch.on))
        return excess <= UNLIKE_SHARE * abs(known.samples[-1][0])

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
        if (
            came_s > self._longest_delay_s
            or abs(early.known.excess(nudge, on=touch.on)) >= early.excess
        ):
            return
        self._samples.restore(early.known)
        self._touch = replace(touch, matched=False)
        self.reassigned = early.matched

    def _match(self, step: TouchStep) -> Nudge | None:
        """Match a step with the newest touch; return its part that must have been a turn."""
        touch = self._touch
        if touch.ambiguous:
            return None
        self._touch = replace(touch, matched=True)
        turned = self._samples.learn(step, on=touch.on)
        self._refine(math.inf)
        return turned

    def _refine(self, until_s: float) -> None:
        """Refine the newest sample by the level at rest before `until_s`."""
        if self._samples.refining and self._samples.refine(self._level_until(until_s)):
            self._renew()

    def _level_until(self, until_s: float) -> RestingLevel | None:
        """Return the level of the readings at rest before `until_s`."""
        return self._level.level_until(until_s, self._noise)

    def _renew(self) -> None:
        touch, mean = self._touch, self._samples.mean()
        unproved = self._samples.known.unproved
        self.state = ToolState(
            on=touch.on,
            since_s=touch.at_s,
            pull=None if unproved else mean,
            first=mean if unproved and touch.on else None,
        )
