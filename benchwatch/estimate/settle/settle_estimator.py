"""Has the oven settled? Drift, verdict and time to go, from clean readings one at a time.

Settled means: from now on the offset stays within the limit of where it is now for the
horizon. A verdict is false when it is given while the noise-free offset will leave that band,
and late by the time since the first moment from which on it no longer will.

The verdict is an equivalence test. The forecast change (see `forecast`) and `COVERAGE` of its
standard uncertainties must stay within the limit up to the horizon, and beyond it within the
same rate: so a turning point is not settled, nor a warm-up tail that hides a constant drift
for some minutes. A cycle's swing adds to the change (see `cycle_finder`), and where the offset left
the limit although nothing spoke against staying inside it, the verdict waits (`departures`). How
it is given and withdrawn says `verdict`: neither a lucky moment gives it nor does it flicker.

Rounding that the readings share does not average: it counts as a floor of their deviation and
at both ends of the change. What past the forecast is made from says `evidence`; a gap that is
short against the time for which it had been settled is bridged where the readings go on at the old
level (`after_gap`), after any other the verdict is earned anew.

Drift and verdict are worked out anew every hundredth of the horizon, but then at most every
third reading unless readings are slower than a twentieth of the horizon; the verdict every
fourth time while it is far from changing. Against the rule
"moved less than the limit in the last horizon" see tests/benchmarks/test_quality_settling.py.
"""

import math
from dataclasses import replace
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.results import Drift, Settle, SettleHistory, SettleLimit
from benchwatch.estimate.settle import verdict_text
from benchwatch.estimate.settle.curve import WarmUpCurve
from benchwatch.estimate.settle.cycle_search import CycleSearch
from benchwatch.estimate.settle.drift_estimator import DriftEstimator
from benchwatch.estimate.settle.gap_comparison import GapComparison
from benchwatch.estimate.settle.noise_model import NoiseModel
from benchwatch.estimate.settle.past_readings import PastReadings
from benchwatch.estimate.settle.settle_history import LEVEL_SPAN, SettleHistoryTracker
from benchwatch.estimate.settle.settle_verdict import CREEP_READINGS, SettleVerdict, VerdictInput
from benchwatch.estimate.settle.warm_up_fit import WarmUpFit

REACH: Final = 8.0
"""Horizons that the drift looks back at most."""
FEW_INTERVALS: Final = 4.0
"""Intervals between readings up to which a gap is a few lost readings."""
CYCLE_EVERY: Final = 32
"""Readings between two looks for a cycle, each through an octave of periods; before the verdict
is given all octaves are looked through at once."""
DRIFT_HORIZON_S: Final = 600.0
"""Sets the scale of the drift's span when no limit was asked for."""


class SettleEstimator:
    """O(1) a reading and bounded memory; times on any origin, offsets to 1e-3."""

    def __init__(self, limit: SettleLimit | None) -> None:
        self._limit = limit
        self._horizon_s = limit.horizon_s if limit else DRIFT_HORIZON_S
        self._evidence = PastReadings()
        self._worked_out_at = -math.inf
        self._judged_at = -math.inf
        self._readings_since = 0
        self._slope = DriftEstimator()
        self._drift: Drift | None = None
        self._verdict = SettleVerdict()
        self._settle: Settle | None = None
        self._level: tuple[float, float] | None = None
        """Mean of late and its u, fractional since the first reading."""
        self._cycles = CycleSearch()
        self._left_out = True
        """Whether the readings right after the newest nudge need not or no longer be left out."""
        self._looked_since = 0
        """Readings since a cycle was looked for."""
        self._held = SettleHistoryTracker()
        self._after_gap: GapComparison | None = None
        self._curve = WarmUpCurve()

    def add(self, elapsed_s: float, offset: float, quantum: float = 0.0) -> None:
        """Take a clean reading; times must increase.

        Args:
            elapsed_s: middle of the gate.
            offset: fractional.
            quantum: last digit of the readings as a fraction; 0 when unknown.
        """
        if not (math.isfinite(elapsed_s) and math.isfinite(offset)):
            return
        if self._after_gap is not None:
            self._compare(self._after_gap, elapsed_s, offset, quantum)
            return
        new = self._evidence.add(elapsed_s, offset, quantum)
        self._readings_since += new
        self._looked_since += new

    def step(self, at_s: float, size: float, u: float) -> None:  # noqa: ARG002 - fitted anew
        """A confirmed nudge: the first reading after it was at `at_s`.

        The fit gives each nudge a free step, so `size` and `u` are not needed.
        """
        if self._evidence.origin is None:
            return
        if self._after_gap is not None:
            # The readings after the gap are no longer those of the level before.
            self._forget(self._after_gap.readings)
        self._evidence.step(at_s)
        self._verdict.nudged(self._evidence.last_step)
        self._left_out = False
        self._held.nudged(at_s)
        self._level = None
        self._worked_out_at = self._judged_at = -math.inf

    def set_limits(self, limit: SettleLimit | None) -> None:
        """Take another limit; the readings stay, the verdict is earned anew."""
        if self._after_gap is not None:
            self._forget(self._after_gap.readings)
        self._limit = limit
        self._horizon_s = limit.horizon_s if limit else DRIFT_HORIZON_S
        self._restart()
        self._verdict.at_once()
        self._held.forget()

    def gap(self, lasted_s: float | None = None) -> None:
        """Readings stopped for a while.

        A few lost readings change nothing: the fits take each reading at its own time. A settled
        oven is compared with what comes after; else all is forgotten but the noise.

        Args:
            lasted_s: for how long, seconds; None when the readings before it say nothing of those
                to come.
        """
        evidence = self._evidence
        if lasted_s is not None and lasted_s <= FEW_INTERVALS * evidence.interval_s():
            return
        self._held.gap(lasted_s or 0.0, other_scale=lasted_s is None)
        self._drift = None
        if lasted_s is not None and self._after_gap is not None:
            self._after_gap.gap()
            return
        held = self._held.held
        if (
            lasted_s is None
            or self._limit is None
            or self._verdict.state != "settled"
            or self._level is None
            or evidence.origin is None
            or held is None
        ):
            self._forget([])
            return
        start, reference = evidence.origin
        self._after_gap = GapComparison(
            start + evidence.now,
            reference + self._level[0],
            self._level[1],
            held.held_s,
            self._limit,
        )
        self._settle = Settle(
            "unsure", None, None, reason=verdict_text.compared(lasted_s), held=held
        )

    def _compare(
        self, after: GapComparison, elapsed_s: float, offset: float, quantum: float
    ) -> None:
        """Take a reading after a gap; go on from before the gap where the level is the same."""
        after.add(elapsed_s, offset, quantum)
        goes_on = after.goes_on()
        if goes_on:
            self._after_gap = None
            self._evidence.go_on(after.readings)
            self._verdict.resume(self._evidence.now)
            self._worked_out_at = self._judged_at = -math.inf
        elif goes_on is not None:
            self._forget(after.readings)

    def _forget(self, readings: list[tuple[float, float, float]]) -> None:
        """Forget all but the noise, and begin anew with `readings`."""
        self._after_gap = None
        self._evidence.gap()
        self._cycles.forget()
        self._level = None
        self._restart()
        for reading in readings:
            self.add(*reading)

    def _restart(self) -> None:
        self._worked_out_at = self._judged_at = -math.inf
        self._verdict.restart()
        self._settle = None
        self._curve.forget()

    def warm_up_fit(self) -> WarmUpFit | None:
        """The exponential that the oven comes in by, for the screen; times since the run's zero."""
        return self._curve.since(self._evidence.origin)

    def drift(self) -> Drift | None:
        """Slope over the span that serves best; None before three readings."""
        self._work_out()
        return self._drift

    def verdict(self) -> Settle | None:
        """The settle verdict; None when no limit was asked for."""
        if self._limit is None:
            return None
        self._work_out()
        return self._settle

    def _work_out(self) -> None:
        evidence = self._evidence
        waited_s = evidence.now - self._worked_out_at
        if (
            self._after_gap is not None
            or waited_s < self._horizon_s / 100.0
            or (self._readings_since < 3 and waited_s < self._horizon_s / 20.0)
        ):
            return
        self._worked_out_at = evidence.now
        self._readings_since = 0
        interval_s = evidence.interval_s()
        noise = evidence.noise(self._horizon_s, interval_s) if interval_s else None
        rounding = evidence.rounding() if noise else 0.0
        if noise is not None and rounding:
            # What doesn't average is a floor of the deviation, as flicker FM is.
            noise = replace(noise, flicker=noise.flicker + rounding)
        self._drift = self._slope.find(
            evidence.means, evidence.last_step, REACH * self._horizon_s, noise
        )
        limit, verdict = self._limit, self._verdict
        pause_s = verdict.pause * self._horizon_s / 100.0
        if limit is None or evidence.now - self._judged_at < pause_s:
            return
        self._judged_at = evidence.now
        verdict.pause = 1.0
        blocks = evidence.blocks(self._horizon_s, interval_s) if interval_s else np.empty((3, 0))
        if noise is None or not evidence.enough(blocks):
            if verdict.state != "settled":
                reason, held = verdict_text.too_few(limit), self._held.held
                self._settle = Settle(verdict.state, None, None, reason=reason, held=held)
            return
        self._judge(limit, blocks, noise, interval_s, rounding)
        if verdict.state == "settled":
            self._curve.forget()
        else:
            self._curve.fit(
                blocks,
                now=evidence.now,
                since=evidence.last_step,
                noise=noise,
                interval_s=interval_s,
                limit=limit,
            )

    def _judge(
        self,
        limit: SettleLimit,
        blocks: FloatArray,
        noise: NoiseModel,
        interval_s: float,
        rounding: float,
    ) -> None:
        """Give the verdict on the readings so far."""
        evidence, verdict = self._evidence, self._verdict
        if self._looked_since >= CYCLE_EVERY:
            self._look_for_cycles(limit, interval_s, everywhere=False)
        cycle = self._cycles.cycle
        ahead = evidence.forecast(blocks, limit, noise, interval_s, cycle)
        level, level_u = evidence.level(blocks, LEVEL_SPAN * limit.horizon_s, noise, interval_s)
        case = VerdictInput(
            evidence.now, limit, ahead, self._drift, cycle, level, level_u, noise, interval_s,
            rounding,
        )  # fmt: skip
        if not (self._left_out or verdict.creeping(case)):
            self._left_out = True
            if verdict.state != "warming" and (case.surely_moving() or case.drifting() > 0.0):
                # They crept, and look like an oven that moves.
                evidence.leave_out(evidence.last_step + CREEP_READINGS * interval_s)
                return
        if verdict.about_to_settle(case, case.excess()):
            self._look_for_cycles(limit, interval_s, everywhere=True)
            case = replace(case, cycle=self._cycles.cycle)
        reason = verdict.judge(case)
        self._level = level, level_u
        to_go = None if reason in verdict_text.NO_TIME_HELPS else verdict.to_go(case)
        low, eta, high = to_go or (None, None, None)
        if to_go is not None:
            reason = verdict_text.beside_a_time(reason)
        elif evidence.now - evidence.last_step < limit.horizon_s:
            reason = verdict_text.soon_after_a_step(reason)
        start, reference = evidence.origin or (0.0, 0.0)
        since_s = None if verdict.since is None else verdict.since + start
        self._settle = Settle(
            verdict.state, since_s, eta, low, high, reason,
            case.shown_cycle(),
            self._look_back(start + evidence.now, reference + level, limit),
        )  # fmt: skip

    def _look_back(self, at_s: float, level: float, limit: SettleLimit) -> SettleHistory | None:
        """Keep how long the verdict has held and how far the offset strayed meanwhile."""
        since_step_s = self._evidence.now - self._evidence.last_step
        self._held.add(
            at_s,
            level,
            LEVEL_SPAN * limit.horizon_s,
            settled=self._verdict.state == "settled",
            fresh=since_step_s < LEVEL_SPAN * limit.horizon_s or not self._left_out,
        )
        return self._held.held

    def _look_for_cycles(self, limit: SettleLimit, interval_s: float, *, everywhere: bool) -> None:
        """Look through one octave of periods, or through all."""
        self._looked_since = 0
        look = self._cycles.look_everywhere if everywhere else self._cycles.look
        evidence = self._evidence
        since = evidence.last_step + CREEP_READINGS * interval_s
        look(evidence.means, since, interval_s, horizon_s=limit.horizon_s, limit=limit.limit)
