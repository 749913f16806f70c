"""The live estimate: level, drift, settling and tolerance after each reading."""

import math
from dataclasses import replace

from benchwatch.estimate.level.level_estimator import LevelEstimator
from benchwatch.estimate.results import Numbers, SettleLimit, Tolerance
from benchwatch.estimate.settle.settle_estimator import SettleEstimator
from benchwatch.estimate.settle.warm_up_fit import WarmUpFit


class LiveEstimate:
    """The estimate of one counter: a reading in, `Numbers` out; bounded memory and work a reading.

    Args:
        tolerance: limit of the offset (fractional), None when not asked for.
        settle: what settled means, None when not asked for.
    """

    def __init__(
        self, *, tolerance: float | None = None, settle: SettleLimit | None = None
    ) -> None:
        self._tolerance = tolerance
        self._level = LevelEstimator()
        self._settling = SettleEstimator(settle)
        self._withheld: tuple[float, float] | None = None
        """Time and offset of a suspect reading, given to the settling if it proves no spike."""
        self._crept = False
        """Whether the offset crept since the last reading that was given to the settling."""
        self._numbers = Numbers()

    @property
    def numbers(self) -> Numbers:
        """The numbers after the last reading."""
        return self._numbers

    def set_limits(self, tolerance: float | None, settle: SettleLimit | None) -> None:
        """Take new limits; the estimate is kept, the settle verdict starts again."""
        self._tolerance = tolerance
        self._settling.set_limits(settle)
        estimate = self._numbers.estimate
        self._numbers = replace(
            self._numbers,
            settle=self._settling.results().verdict,
            tolerance=None if estimate is None else self._judge(estimate.offset),
        )

    def warm_up_fit(self) -> WarmUpFit | None:
        """Return the exponential of the warm-up; None when the readings show none."""
        return self._settling.warm_up_fit()

    def gap(self, lasted_s: float | None = None, *, new_level: bool = False) -> bool:
        """Take a gap in the readings.

        Args:
            new_level: the next reading starts a new level in any case, so that no turn is seen
                over the gap; the settling goes on as over any gap.
            lasted_s: its length; None where the readings before it can't be compared with those
                after it, as after a change of the time base.

        Returns:
            Whether the level continues over the gap, by the rule of `LevelEstimator.gap`; else the
            next reading starts a new one. The settling has a rule of its own.
        """
        self._settling.gap(lasted_s)
        return self.pause(None if new_level else lasted_s)

    def pause(self, lasted_s: float | None) -> bool:
        """Take a time (seconds) in which the oscillator moved by itself, but nobody read it.

        The settling needs none of it: it takes each reading at its own time.

        Returns:
            Whether the level continues, as `gap`.
        """
        if self._level.gap(lasted_s):
            self._numbers = self._numbers.without_news()
            return True
        self._withheld = None
        self._numbers = Numbers(last_nudge=self._numbers.last_nudge, noise=self._numbers.noise)
        return False

    def ahead(self, after_s: float, averaged: int) -> tuple[float, float] | None:
        """Return by how much the mean of later readings will differ, and the variance of that.

        None while nothing is known; arguments as those of `LevelEstimator.ahead`.
        """
        return self._level.ahead(after_s, averaged)

    def touch(self, at_s: float) -> None:
        """Take the time `at_s` at which the operator put the tool on the trimmer or lifted it."""
        self._level.touch(at_s)

    def add(
        self,
        elapsed_s: float,
        offset: float,
        *,
        gate_s: float | None = None,
        resolution: float = 0.0,
    ) -> Numbers:
        """Take one reading and return the numbers after it.

        Args:
            elapsed_s: middle of the gate, seconds; any origin, the Unix epoch too.
            offset: fractional; nan (no usable reading) changes nothing.
            gate_s: gate time, None when unknown.
            resolution: weight of the last digit written, as a fraction; 0 when unknown.
        """
        if not (math.isfinite(offset) and math.isfinite(elapsed_s)):
            return self._numbers
        now = self._level.add(elapsed_s, offset, gate_s=gate_s, resolution=resolution)
        settling, quantum = self._settling, self._level.quantum
        if self._withheld is not None and now.spike_at_s is None:
            settling.add(*self._withheld, quantum)
        creeps = now.rest is not None
        self._withheld = (elapsed_s, offset) if now.suspect and not creeps else None
        if not now.suspect and not creeps:
            settling.add(elapsed_s, offset, quantum)
            if self._crept:
                # The creep is part of the turn, and no drift.
                self._crept = False
                settling.step(elapsed_s)
        self._crept = self._crept or creeps
        nudge = now.confirmed_nudge
        if nudge is not None:
            settling.step(nudge.at_s)
            if nudge.lasted_s > 0.0:
                settling.step(nudge.at_s + nudge.lasted_s)
        drift, verdict = settling.results()
        self._numbers = Numbers(
            estimate=now.estimate,
            drift=drift,
            last_nudge=now.last_nudge or self._numbers.last_nudge,
            confirmed_nudge=nudge,
            revised_nudge=now.revised_nudge,
            rest=now.rest,
            settle=verdict,
            tolerance=self._judge(now.estimate.offset),
            noise=now.noise,
            suspect=now.suspect,
            spike_at_s=now.spike_at_s,
        )
        return self._numbers

    def _judge(self, offset: float) -> Tolerance | None:
        limit, was = self._tolerance, self._numbers.tolerance
        if limit is None:
            return None
        inside = abs(offset) <= limit
        if was is not None and was.inside is inside and was.limit == limit:
            return was
        return Tolerance(limit, inside)
