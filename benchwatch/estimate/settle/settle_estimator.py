"""Drift, settle verdict and time to go, from clean readings one at a time.

Settled means: for one horizon from now on, the offset stays within the limit of its present value.
A verdict is false when the noise-free offset will leave that band; it is late by the time since
the first moment from which on the offset stays in it.

The verdict is an equivalence test. The forecast change (see `change_forecast`) and a multiple of
its standard uncertainty must stay within the limit up to the horizon, and beyond it within the
same rate: so a turning point is not settled, nor a warm-up tail that hides a constant drift
for some minutes. A cycle's swing adds to the change (see `cycle_search`), and after the offset has
left the limit against the forecast, the verdict waits (`departures`). The delays of
`settle_verdict` keep a moment's chance from giving the verdict, and the verdict from flickering.

Rounding that the readings share does not average: it counts as a floor of their deviation and
at both ends of the change. `past_readings` holds the readings that the forecast is fitted to. A gap
that is short against the time for which the oven had been settled is bridged if the readings after
it are at the old level (`gap_comparison`); after any other gap the verdict starts again.

Drift and verdict are recomputed every hundredth of the horizon, but not before three more readings
unless readings are slower than a twentieth of the horizon; the verdict every fourth time while it
is far from changing. tests/benchmarks/test_quality_settling.py compares the verdict with the rule
"moved less than the limit in the last horizon".
"""

import math
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.results import Drift, Settle, SettleHistory, SettleLimit
from benchwatch.estimate.settle import verdict_text
from benchwatch.estimate.settle.cycle_search import SEARCH_EVERY_READINGS, CycleSearch
from benchwatch.estimate.settle.drift_estimator import DriftEstimator
from benchwatch.estimate.settle.gap_comparison import GapComparison
from benchwatch.estimate.settle.noise_model import NoiseModel
from benchwatch.estimate.settle.past_readings import PastReadings
from benchwatch.estimate.settle.settle_history import LEVEL_SPAN_HORIZONS, SettleHistoryTracker
from benchwatch.estimate.settle.settle_verdict import CREEP_READINGS, SettleVerdict, VerdictInput
from benchwatch.estimate.settle.warm_up_fit import WarmUpCurve, WarmUpFit

DRIFT_SPAN_HORIZONS: Final = 8.0
"""Longest span of the drift, in horizons."""
SHORT_GAP_INTERVALS: Final = 4.0
"""Longest gap, in intervals between readings, that counts as a few lost readings."""
DRIFT_HORIZON_S: Final = 600.0
"""Horizon of the drift when no limit was asked for."""


class _Schedule:
    """When drift and verdict are recomputed; times in seconds since the first reading."""

    def __init__(self) -> None:
        self._drift_at = self._verdict_at = -math.inf
        self._readings = 0

    def make_due(self) -> None:
        """Make both due."""
        self._drift_at = self._verdict_at = -math.inf

    def drift_due(self, now: float, horizon_s: float, readings: int) -> bool:
        """Return whether the drift is due, and record it as computed now if it is.

        Args:
            now: time of the newest reading.
            horizon_s: of the verdict.
            readings: taken so far.
        """
        waited_s = now - self._drift_at
        few = readings - self._readings < 3
        if waited_s < horizon_s / 100.0 or (few and waited_s < horizon_s / 20.0):
            return False
        self._drift_at, self._readings = now, readings
        return True

    def verdict_due(self, now: float, pause_s: float) -> bool:
        """Return whether the verdict is due, and record it as given now if it is."""
        if now - self._verdict_at < pause_s:
            return False
        self._verdict_at = now
        return True


class SettleResults(NamedTuple):
    """What is known after a reading; a tuple, because a new one is built with each."""

    drift: Drift | None
    """Over the span that `DriftEstimator` chooses; None before three readings."""
    verdict: Settle | None
    """None when no limit was asked for."""


class SettleEstimator:
    """Drift and settle verdict of one oscillator; O(1) a reading, bounded memory.

    Times may have any origin; offsets may be up to 1e-3.
    """

    def __init__(self, limit: SettleLimit | None) -> None:
        self._limit = limit
        self._horizon_s = limit.horizon_s if limit else DRIFT_HORIZON_S
        self._past = PastReadings()
        self._readings = 0
        self._schedule = _Schedule()
        self._drift_estimator = DriftEstimator()
        self._drift: Drift | None = None
        self._verdict = SettleVerdict()
        self._settle: Settle | None = None
        self._level: tuple[float, float] | None = None
        """Mean of the newest readings and its u, fractional, less the first reading."""
        self._cycles = CycleSearch()
        self._searched_at = 0
        """Number of readings at the last search for a cycle."""
        self._creep_judged = True
        """Whether the readings right after the newest nudge were checked for a creep."""
        self._history = SettleHistoryTracker()
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
        self._readings += self._past.add(elapsed_s, offset, quantum)

    def step(self, at_s: float) -> None:
        """Take a confirmed nudge: the first reading after it was at `at_s`.

        Its size is not needed: the fit has a free step for each.
        """
        if self._past.origin is None:
            return
        if self._after_gap is not None:
            # After a nudge the readings can't be compared with the level before the gap.
            self._restart_with(self._after_gap.readings)
        self._past.step(at_s)
        self._verdict.nudged(self._past.last_step)
        self._creep_judged = False
        self._history.nudged(at_s)
        self._level = None
        self._schedule.make_due()

    def set_limits(self, limit: SettleLimit | None) -> None:
        """Take another limit; the readings are kept, the verdict starts again."""
        if self._after_gap is not None:
            self._restart_with(self._after_gap.readings)
        self._limit = limit
        self._horizon_s = limit.horizon_s if limit else DRIFT_HORIZON_S
        self._restart()
        self._verdict.reset_for_limit()
        self._history.clear()

    def gap(self, lasted_s: float | None = None) -> None:
        """Take a gap in the readings.

        A few lost readings change nothing: the fits take each reading at its own time. If the oven
        was settled, the readings after the gap are compared with its level; else all but the
        noise is discarded.

        Args:
            lasted_s: length of the gap, s; None when the readings before it can't be compared with
                those after it.
        """
        past = self._past
        if lasted_s is not None and lasted_s <= SHORT_GAP_INTERVALS * past.interval_s():
            return
        self._history.gap(lasted_s or 0.0, other_scale=lasted_s is None)
        self._drift = None
        if lasted_s is not None and self._after_gap is not None:
            self._after_gap.gap()
            return
        history = self._history.history
        if (
            lasted_s is None
            or self._limit is None
            or self._verdict.state != "settled"
            or self._level is None
            or past.origin is None
            or history is None
        ):
            self._restart_with([])
            return
        start, reference = past.origin
        self._after_gap = GapComparison(
            last_s=start + past.now,
            level=reference + self._level[0],
            level_u=self._level[1],
            held_s=history.held_s,
            limit=self._limit,
        )
        self._settle = Settle(
            state="unsure",
            since_s=None,
            eta_s=None,
            reason=verdict_text.compared(lasted_s),
            held=history,
        )

    def warm_up_fit(self) -> WarmUpFit | None:
        """Return the exponential of the warm-up, for the screen; times as given to `add`."""
        return self._curve.in_run(self._past.origin)

    def results(self) -> SettleResults:
        """Return drift and settle verdict, recomputed where they are due."""
        self._recompute()
        return SettleResults(self._drift, None if self._limit is None else self._settle)

    def _compare(
        self, after: GapComparison, elapsed_s: float, offset: float, quantum: float
    ) -> None:
        """Take a reading after a gap; continue the verdict if the level is the same as before."""
        after.add(elapsed_s, offset, quantum)
        at_old_level = after.at_old_level()
        if at_old_level:
            self._after_gap = None
            self._past.resume(after.readings)
            self._verdict.resume(self._past.now)
            self._schedule.make_due()
        elif at_old_level is not None:
            self._restart_with(after.readings)

    def _restart_with(self, readings: list[tuple[float, float, float]]) -> None:
        """Discard all but the noise, and start again with `readings`."""
        self._after_gap = None
        self._past.gap()
        self._cycles.clear()
        self._level = None
        self._restart()
        for reading in readings:
            self.add(*reading)

    def _restart(self) -> None:
        """Withdraw the verdict and the warm-up curve."""
        self._schedule.make_due()
        self._verdict.restart()
        self._settle = None
        self._curve.clear()

    def _recompute(self) -> None:
        """Recompute drift and verdict where they are due."""
        past, horizon_s = self._past, self._horizon_s
        if self._after_gap is not None or not self._schedule.drift_due(
            past.now, horizon_s, self._readings
        ):
            return
        interval_s = past.interval_s()
        noise = past.noise(horizon_s, interval_s) if interval_s else None
        rounding = past.rounding() if noise else 0.0
        if noise is not None and rounding:
            # Shared rounding does not average: it is a floor of the deviation, as flicker FM is.
            noise = replace(noise, flicker=noise.flicker + rounding)
        self._drift = self._drift_estimator.estimate(
            past.means, past.last_step, DRIFT_SPAN_HORIZONS * horizon_s, noise
        )
        limit, verdict = self._limit, self._verdict
        if limit is None or not self._schedule.verdict_due(
            past.now, verdict.pause * horizon_s / 100.0
        ):
            return
        verdict.pause = 1.0
        blocks = past.blocks(horizon_s, interval_s) if interval_s else np.empty((3, 0))
        if noise is None or not past.enough(blocks):
            if verdict.state != "settled":
                self._settle = Settle(
                    state=verdict.state,
                    since_s=None,
                    eta_s=None,
                    reason=verdict_text.too_few(limit),
                    held=self._history.history,
                )
            return
        self._judge(limit, blocks, noise, interval_s, rounding)
        if verdict.state == "settled":
            self._curve.clear()
        else:
            self._curve.fit(
                blocks,
                now=past.now,
                since=past.last_step,
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
        past, verdict = self._past, self._verdict
        if self._readings - self._searched_at >= SEARCH_EVERY_READINGS:
            self._search_cycles(limit, interval_s, everywhere=False)
        cycle = self._cycles.cycle
        level, level_u = past.level(
            blocks, LEVEL_SPAN_HORIZONS * limit.horizon_s, noise, interval_s
        )
        known = VerdictInput(
            now=past.now,
            limit=limit,
            ahead=past.forecast(blocks, limit, noise, interval_s, cycle),
            drift=self._drift,
            cycle=cycle,
            level=level,
            level_u=level_u,
            noise=noise,
            interval_s=interval_s,
            rounding=rounding,
        )
        if not (self._creep_judged or verdict.creeping(known)):
            self._creep_judged = True
            if verdict.state != "warming" and (known.surely_moving() or known.drifting() > 0.0):
                # The trimmer crept after the nudge, which looks like an oven that moves.
                past.leave_out(past.last_step + CREEP_READINGS * interval_s)
                return
        if verdict.about_to_settle(known, known.excess()):
            self._search_cycles(limit, interval_s, everywhere=True)
            known = replace(known, cycle=self._cycles.cycle)
        reason = verdict.judge(known)
        self._level = level, level_u
        to_go = None if reason in verdict_text.NO_TIME_HELPS else verdict.to_go(known)
        low, eta, high = to_go or (None, None, None)
        if to_go is not None:
            reason = verdict_text.beside_a_time(reason)
        elif past.now - past.last_step < limit.horizon_s:
            reason = verdict_text.soon_after_a_step(reason)
        start, reference = past.origin or (0.0, 0.0)
        self._settle = Settle(
            state=verdict.state,
            since_s=None if verdict.since is None else verdict.since + start,
            eta_s=eta,
            eta_low_s=low,
            eta_high_s=high,
            reason=reason,
            cycle=known.shown_cycle(),
            held=self._update_history(start + past.now, reference + level, limit),
        )

    def _update_history(
        self, at_s: float, level: float, limit: SettleLimit
    ) -> SettleHistory | None:
        """Update and return the settle history; `level` fractional, `at_s` as given to `add`."""
        span_s = LEVEL_SPAN_HORIZONS * limit.horizon_s
        self._history.add(
            at_s,
            level,
            span_s,
            settled=self._verdict.state == "settled",
            after_nudge=self._past.now - self._past.last_step < span_s or not self._creep_judged,
        )
        return self._history.history

    def _search_cycles(self, limit: SettleLimit, interval_s: float, *, everywhere: bool) -> None:
        """Search one octave of periods for a cycle, or all if `everywhere`."""
        self._searched_at = self._readings
        search = self._cycles.search_all if everywhere else self._cycles.search
        past = self._past
        since = past.last_step + CREEP_READINGS * interval_s
        search(past.means, since, interval_s, horizon_s=limit.horizon_s, limit=limit.limit)
