"""Samples of the tool's pull, one for each touch, and the refinement of the newest.

A hand comes to rest slowly, and the touch may cover only a part of the first reading's gate. So a
sample is the level once hand and trimmer are at rest minus the level before; until then it is the
step as first seen. Where another step comes before that, nothing is learned.

Only the operator can distinguish a first touch from a touch with a turn. So samples are unproved
until a lift undoes what the first touch did.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

from benchwatch.estimate.results import Nudge
from benchwatch.estimate.trim.mean_pull import MeanPull, PullSample, mean_pull
from benchwatch.estimate.trim.rest_level import RestingLevel

TOUCH_WITHIN_S: Final = 3.0
"""A step up to so long before or after the key that reports a touch belongs to it. Where another
step comes so soon after it, a sample that is not refined yet is dropped."""
SAMPLES_KEPT: Final = 20
"""Samples kept."""
LEAST_U: Final = 3.0
"""A step of fewer u than this has no size to learn from."""
MOVING_SHARE: Final = 0.25
"""Part of a step that may still be missing while the hand comes to rest."""
OFF_LEVEL_SDS: Final = 6.0
"""A reading this many sd, and `MOVING_SHARE` of the pull, off a level at rest is no part of it."""
UNLIKE_SHARE, UNLIKE_U = 0.5, 5.0
"""A step is no mere pull when it differs from the known one by this share of it and so many u."""
UNPROVED_SHARE: Final = 0.3
"""A first touch and its lift that differ by more than this share hold a turn between them."""


@dataclass(frozen=True, slots=True)
class TouchStep:
    """A step that may have come with a touch."""

    nudge: Nudge
    before: RestingLevel | None
    """Level before it; None where too few readings were at rest."""

    def continued(self, nudge: Nudge) -> "TouchStep":
        """Return this step with another as its last part."""
        first, unknown = self.nudge, self.nudge.u is None or nudge.u is None
        whole = Nudge(
            at_s=first.at_s,
            size=first.size + nudge.size,
            u=None if unknown else math.hypot(first.u or 0.0, nudge.u or 0.0),
            lasted_s=nudge.at_s + nudge.lasted_s - first.at_s,
        )
        return TouchStep(whole, self.before)


@dataclass(frozen=True, slots=True)
class KnownSamples:
    """The samples at one moment."""

    samples: tuple[PullSample, ...] = ()
    """Oldest first."""
    unproved: bool = False
    """No lift has confirmed these touches yet: they may include a turn."""

    def excess(self, nudge: Nudge, *, on: bool) -> float:
        """Return the step minus the one expected of a touch or lift from the newest sample.

        There must be a sample.
        """
        return nudge.size - _sign(on) * self.samples[-1][0]


@dataclass(frozen=True, slots=True, kw_only=True)
class _NewestSample:
    """Origin of the newest sample."""

    step: TouchStep
    sign: float
    """1 where the tool was put on, -1 where it was lifted."""
    unrefined: PullSample
    """The sample from the step alone, before any level at rest has refined it."""
    is_unrefined: bool = True
    """Whether no level at rest has refined the sample yet."""
    before: RestingLevel | None
    """Level that the sample is measured from; None once refining has ended."""


class PullSamples:
    """Learns the pull from the steps that came with touches."""

    def __init__(self) -> None:
        self.known = KnownSamples()
        self._newest: _NewestSample | None = None
        """None before any was learned, and after a restore."""
        self._unlike_in_a_row = 0
        """Touches in a row that were unlike the pull as known."""
        self._doubted: tuple[PullSample, RestingLevel] | None = None
        """A first touch that its lift did not confirm at first, and the level before the lift."""

    @property
    def newest_step(self) -> TouchStep | None:
        """The step that gave the newest sample."""
        return None if self._newest is None else self._newest.step

    @property
    def refining(self) -> bool:
        """Whether a level at rest would refine the newest sample."""
        return self._newest is not None and self._newest.before is not None

    @property
    def awaits_rest(self) -> bool:
        """Whether a level at rest would refine the newest sample, or confirm a doubted one."""
        return self.refining or self._doubted is not None

    def mean(self) -> MeanPull | None:
        """Return the mean of the samples, proved or not; None while there are none."""
        return mean_pull(self.known.samples)

    def resume(self, samples: tuple[PullSample, ...]) -> None:
        """Begin with the samples of earlier runs."""
        self.known = KnownSamples(samples[-SAMPLES_KEPT:])

    def learn(self, step: TouchStep, *, on: bool) -> Nudge | None:
        """Learn from a step that came with a touch or lift; return its part that was a turn."""
        nudge, known = step.nudge, self.known
        if abs(nudge.size) < LEAST_U * (nudge.u or 0.0):
            return None  # there and back: the touch ended before the readings could show it
        if known.unproved and known.samples and not on:
            turned = _turn_between(known.samples[-1], nudge)
            if turned is not None:
                self._doubted = None if step.before is None else (known.samples[-1], step.before)
                self.known = KnownSamples()
                self.end_refining()
                return turned
            self.known = known = KnownSamples(known.samples)
        turned = self._turn_beyond_pull(nudge, on=on)
        if turned is not None:
            return turned
        samples, size = self.known.samples, _sign(on) * nudge.size
        unrefined = size, None if nudge.u is None else math.hypot(nudge.u, MOVING_SHARE * size)
        unproved = on and (known.unproved or not samples)
        self.known = KnownSamples((*samples, unrefined)[-SAMPLES_KEPT:], unproved)
        self._newest = _NewestSample(
            step=step, sign=_sign(on), unrefined=unrefined, before=step.before
        )
        return None

    def _turn_beyond_pull(self, nudge: Nudge, *, on: bool) -> Nudge | None:
        """Return the part of a step beyond the known pull; None where the pull explains the step.

        Two unexplained touches in a row show that the pull has changed.
        """
        pull = self.mean()
        if pull is None:
            return None
        more = nudge.size - _sign(on) * pull.size
        u = math.hypot(nudge.u or 0.0, pull.u or 0.0)
        unlike = abs(more) > max(UNLIKE_SHARE * abs(pull.size), UNLIKE_U * u)
        self._unlike_in_a_row = self._unlike_in_a_row + 1 if unlike else 0
        if self._unlike_in_a_row == 1:
            return Nudge(at_s=nudge.at_s, size=more, u=u, lasted_s=nudge.lasted_s)
        if self._unlike_in_a_row > 1:
            self.known = replace(self.known, samples=())
            self._unlike_in_a_row = 0
        return None

    def refine(self, after: RestingLevel | None, most: float = math.inf) -> bool:
        """Replace the newest sample by the level at rest minus the level before.

        Args:
            after: the level at rest; None where there is none yet.
            most: largest u, as a part of the sample, with which the sample is replaced.

        Returns:
            Whether the sample was replaced.
        """
        newest = self._newest
        if newest is None or newest.before is None or after is None:
            return False
        size, u = after.offset - newest.before.offset, math.hypot(after.u, newest.before.u)
        if u > most * abs(size):
            return False
        self._set_newest((newest.sign * size, u))
        if newest.is_unrefined:
            self._newest = replace(newest, is_unrefined=False)
        return True

    def end_refining(self) -> None:
        """Stop refining the newest sample."""
        if self._newest is not None and self._newest.before is not None:
            self._newest = replace(self._newest, before=None)

    def end_refining_where_off(self, offset: float, noise: float | None) -> None:
        """End refining where a reading is off the level of the sample: a turn, not confirmed yet.

        A large creep after a turn may delay its confirmation.

        Args:
            offset: of the reading, fractional.
            noise: spread (sd) of single readings, None while unknown.
        """
        newest = self._newest
        if newest is None or newest.before is None or newest.is_unrefined:
            return
        size = self.known.samples[-1][0]
        away = abs(offset - (newest.before.offset + newest.sign * size))
        if away > max(MOVING_SHARE * abs(size), OFF_LEVEL_SDS * (noise or 0.0)):
            self.end_refining()

    def end_newest(
        self, nudge: Nudge, at_step: RestingLevel | None, at_end: RestingLevel | None
    ) -> None:
        """Note that another step has come: later readings do not belong to the newest sample.

        Args:
            nudge: that step.
            at_step: level at rest before its first reading.
            at_end: level at rest before its last turn, where it is one of several.
        """
        if self.refining:
            assert self._newest is not None
            if not self.refine(at_step) and not self.refine(at_end, most=MOVING_SHARE):
                # Readings between the step and its confirmation were taken for the level at rest.
                self._set_newest(self._newest.unrefined)
                self._newest = replace(self._newest, is_unrefined=True)
            self.end_refining()
        newest = self._newest
        if newest is None or not newest.is_unrefined:
            return
        if nudge.at_s - newest.step.nudge.at_s < TOUCH_WITHIN_S:
            self.known = replace(self.known, samples=self.known.samples[:-1])
        self._newest = replace(newest, is_unrefined=False)

    def discard_newest(self) -> None:
        """Discard the newest sample: its step was part of a touch that is not over."""
        self.known = replace(self.known, samples=self.known.samples[:-1])
        if self._newest is not None:
            self._newest = replace(self._newest, before=None, is_unrefined=False)

    def restore(self, known: KnownSamples) -> None:
        """Restore the samples from before a step that was wrongly taken for a touch."""
        self.known, self._newest, self._doubted = known, None, None

    def drop_doubted_touch(self) -> None:
        """Drop a doubted first touch: another touch has begun, or readings were missed."""
        self._doubted = None

    def restore_doubted_touch(self, after: RestingLevel | None) -> bool:
        """Restore a doubted first touch where the levels at rest around the lift confirm it.

        The step of the lift as first seen includes any creep of turns with the tool on.

        Args:
            after: level at rest after the lift; None where there is none yet.

        Returns:
            Whether the touch was restored.
        """
        if self._doubted is None or after is None:
            return False
        first, before = self._doubted
        self._doubted = None
        lift, u = before.offset - after.offset, math.hypot(before.u, after.u)
        most = max(UNPROVED_SHARE * abs(first[0]), UNLIKE_U * math.hypot(u, first[1] or 0.0))
        if abs(lift - first[0]) > most or self.known.samples:
            return False
        self.known = replace(self.known, samples=(first, (lift, u)))
        return True

    def _set_newest(self, sample: PullSample) -> None:
        self.known = replace(self.known, samples=(*self.known.samples[:-1], sample))


def _sign(on: bool) -> float:
    """Return 1 for a touch, -1 for a lift."""
    return 1.0 if on else -1.0


def _turn_between(first: PullSample, lift: Nudge) -> Nudge | None:
    """Return the turn between the first touch and its lift; None where the two agree."""
    size, u = first
    more, u_more = lift.size + size, math.hypot(lift.u or 0.0, u or 0.0)
    if abs(more) <= max(UNPROVED_SHARE * abs(size), UNLIKE_U * u_more):
        return None
    return Nudge(at_s=lift.at_s, size=more, u=u_more, lasted_s=lift.lasted_s)
