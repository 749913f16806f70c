"""The state of the verdict, settled, warming or unsure, and the delays before it changes.

The forecast change, the change by a cycle and their uncertainties must together stay within the
limit up to the horizon, and beyond it within the same rate. The verdict is given when they have
done so for `GIVEN_AFTER_HORIZONS`. It is withdrawn when the oven has surely moved for
`WITHDRAWN_AFTER_HORIZONS`, and for `WITHDRAWN_AFTER_READINGS` at least: a turn that is not yet
confirmed as a nudge does not withdraw it.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.results import Drift, OffsetCycle, SettleLimit, SettleState
from benchwatch.estimate.settle import verdict_text
from benchwatch.estimate.settle.change_forecast import HORIZONS, ChangeForecast
from benchwatch.estimate.settle.departures import Departures, ExpectedOffset
from benchwatch.estimate.settle.fitted_cycle import FittedCycle
from benchwatch.estimate.settle.noise_model import NoiseModel
from benchwatch.estimate.settle.past_readings import GOOD_MISFIT
from benchwatch.estimate.settle.time_to_go import TimeToGo

ALLOWED_LIMITS: Final = np.maximum(HORIZONS, 1.0)
"""Change allowed at each forecast time, in limits: 1 up to the horizon, then the same rate."""
FORECAST_COVERAGE: Final = np.array([2.3, 2.3, 2.3, 1.9, 1.9, 1.9])
"""Standard uncertainties added to each forecast change; fewer for later forecast times."""
ROUNDING_COVERAGE: Final = 2.5
"""The same for rounding at both ends of a change: u is a digit over √6, the error below a digit."""
CYCLE_COVERAGE: Final = 2.0
"""Standard uncertainties added to the swing of a cycle."""
GIVEN_AFTER_HORIZONS: Final = 0.03
"""Horizons for which an oven must be seen settled before the verdict is given."""
WITHDRAWN_AFTER_HORIZONS: Final = 0.05
"""Horizons for which the oven must be seen moving before the verdict is withdrawn."""
WITHDRAWN_AFTER_READINGS: Final = 20
"""Fewest readings for which the oven must be seen moving before the verdict is withdrawn."""
CREEP_READINGS: Final = 48
"""Readings after a nudge that withdraw no verdict, as the trimmer may creep. A creep is over within
a few dozen readings (common practice, no source)."""
TRIM_READINGS: Final = 5 * CREEP_READINGS
"""Readings, beside a horizon, for which nudges may follow each other without withdrawing the
verdict."""
FAR_LIMITS: Final = 3.0
"""Change that can't be ruled out, in limits, above which no verdict is near."""
RARE_FACTOR: Final = 4.0
"""Factor on the usual time between two evaluations when no change of the verdict is near."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictInput:
    """Input of a verdict; times are seconds since the first reading, offsets fractional."""

    now: float
    limit: SettleLimit
    ahead: ChangeForecast
    drift: Drift | None
    cycle: FittedCycle | None
    level: float
    """Mean of the newest readings."""
    level_u: float
    noise: NoiseModel
    interval_s: float
    rounding: float
    """Variance of means from rounding."""

    def excess(self) -> float:
        """Return the largest change not ruled out, a cycle's included, over the change allowed."""
        size, spread = np.abs(self.ahead.change), self.spread()
        if self.cycle is not None:
            swing, swing_u = self.cycle.within(self.limit.horizon_s, self.now)
            size, spread = size + swing, np.hypot(spread, CYCLE_COVERAGE * swing_u)
        return float(((size + spread) / (self.limit.limit * ALLOWED_LIMITS)).max())

    def spread(self) -> FloatArray:
        """Return the largest error of each forecast change, by its u and by rounding, (6,)."""
        return np.hypot(FORECAST_COVERAGE * self.ahead.u, self.rounding_spread())

    def rounding_spread(self) -> float:
        """Return the largest error of a change by rounding at both its ends."""
        return ROUNDING_COVERAGE * math.sqrt(2.0 * self.rounding)

    def cycling(self) -> bool:
        """Return whether a cycle surely moves the offset by more than the limit."""
        if self.cycle is None or not self.cycle.sure:
            return False
        swing, swing_u = self.cycle.within(self.limit.horizon_s, self.now)
        return swing - CYCLE_COVERAGE * swing_u > self.limit.limit

    def shown_cycle(self) -> OffsetCycle | None:
        """Return the cycle to show; None without one."""
        return None if self.cycle is None else self.cycle.shown(self.limit.limit)

    def change(self) -> float:
        """Return the largest change forecast within the horizon."""
        return float(np.abs(self.ahead.change[HORIZONS <= 1.0]).max())

    def expected(self) -> ExpectedOffset:
        """Return the forecast for the nearest forecast time."""
        in_s = float(HORIZONS[0]) * self.limit.horizon_s
        return ExpectedOffset(
            in_s=in_s, change=float(self.ahead.change[0]), spread=float(self.spread()[0])
        )

    def surely_moving(self) -> bool:
        """Return whether the forecast change exceeds the limit by more than its uncertainty."""
        sure = np.abs(self.ahead.change) - self.spread() > self.limit.limit
        return bool(sure[HORIZONS <= 1.0].any())

    def drift_ahead(self) -> tuple[float, float]:
        """Return the least and the largest change by the present drift over the horizon, ±2u."""
        if self.drift is None or self.drift.u is None:
            return 0.0, math.inf
        change, u = (x * self.limit.horizon_s for x in (abs(self.drift.per_s), self.drift.u))
        return change - 2.0 * u, change + 2.0 * u

    def drifting(self) -> float:
        """Return the change by the present drift over the horizon if surely too large, else 0.

        The drift of a cycle between its turning points reverses, and does not count.
        """
        least, most = self.drift_ahead()
        back = 0.0 if self.cycle is None else self.cycle.steepest() * self.limit.horizon_s
        return 0.5 * (least + most) if least > self.limit.limit + back else 0.0


class SettleVerdict:
    """The verdict and its state; `judge` is called at each evaluation, O(1), bounded memory."""

    def __init__(self) -> None:
        self.departures = Departures()
        self.time_to_go = TimeToGo()
        self.restart()

    def restart(self) -> None:
        """Withdraw the verdict and discard what led to it; the state is unsure."""
        self.state: SettleState = "unsure"
        self.since: float | None = None
        """Time at which the verdict was given, s since the first reading."""
        self.pause = 1.0
        """Factor on the usual time until the next evaluation."""
        self._moving_since = math.inf
        self._quiet_since = math.inf
        self._nudged_at = -math.inf
        self._creeps_since = math.inf
        self._drift_was_small = False
        # Set once the drift is surely within the limit. Until then the drift lags behind an oven
        # that comes in; from then on a larger drift contradicts the verdict.
        self.departures.clear()
        self.time_to_go.clear()

    def reset_for_limit(self) -> None:
        """Restart for a new limit: the next evaluation may give the verdict without delay."""
        self.restart()
        self._quiet_since = -math.inf

    def nudged(self, at: float) -> None:
        """Take a confirmed nudge at `at`: the motion seen since then was the nudge."""
        self._nudged_at = at
        self._moving_since = math.inf
        self.time_to_go.clear()
        self.departures.nudged(at)

    def creeping(self, known: VerdictInput) -> bool:
        """Return whether a nudge is so recent that the trimmer may still creep."""
        return known.now - self._nudged_at < CREEP_READINGS * known.interval_s

    def resume(self, now: float) -> None:
        """Continue after a gap over which the level stayed; `now` in s since the first reading."""
        self._moving_since = math.inf
        self.since = now

    def about_to_settle(self, known: VerdictInput, excess: float) -> bool:
        """Return whether the verdict is due now unless a cycle search finds a new cycle."""
        waited_s = known.now - self._quiet_since
        return (
            excess < 1.0
            and self.state != "settled"
            and waited_s >= GIVEN_AFTER_HORIZONS * known.limit.horizon_s
        )

    def to_go(self, known: VerdictInput) -> tuple[float, float, float] | None:
        """Return the seconds until the verdict: low, middle, high; None when unknown."""
        if self.state == "settled" or (known.cycling() and known.shown_cycle() is not None):
            return None
        expected = self.time_to_go.seconds(GIVEN_AFTER_HORIZONS * known.limit.horizon_s)
        wait_s = self.departures.wait_s(known.now, known.limit.horizon_s)
        if expected is None or not wait_s:
            return expected
        low, middle, high = expected
        return max(low, wait_s), wait_s + middle, wait_s + high

    def judge(self, known: VerdictInput) -> str:
        """Set the state; return the reason as a sentence for people."""
        limit, now = known.limit, known.now
        excess, change = known.excess(), known.change()
        most = known.drift_ahead()[1]
        drifting = known.drifting()
        stands = self.state == "settled"
        self._drift_was_small |= stands and most < limit.limit
        contradicted = self._drift_was_small and drifting > 0.0
        cycling = known.cycling()
        surely_moving = contradicted or cycling or known.surely_moving()
        noiseless = known.noise.variance(known.interval_s) == 0.0
        quiet = excess < 1.0 and not (contradicted or noiseless)
        creeping = self.creeping(known)
        away = False
        if known.cycle is not None and known.ahead.misfit < GOOD_MISFIT:
            self.departures.explain(*known.cycle.above(limit.limit))
        if not creeping:
            away = self.departures.add(
                now,
                known.level,
                known.level_u,
                quiet=quiet,
                limit=limit.limit,
                horizon_s=limit.horizon_s,
                expected=known.expected(),
            )
        wait_s = self.departures.wait_s(now, limit.horizon_s)
        self.time_to_go.add(now, excess)
        # Nudges without end count as motion: an oscillator that runs away looks like them.
        self._creeps_since = min(self._creeps_since, now) if creeping else math.inf
        trim_s = limit.horizon_s + TRIM_READINGS * known.interval_s
        creeping &= now - self._creeps_since < trim_s
        # A fit across nudges may show motion where the drift since the last nudge is surely small.
        moving = (
            contradicted or cycling or away or (surely_moving and most > limit.limit)
        ) and not creeping
        self._moving_since = min(self._moving_since, now) if moving else math.inf
        self._quiet_since = min(self._quiet_since, now) if quiet and not wait_s else math.inf
        self.pause = RARE_FACTOR if excess > FAR_LIMITS or (stands and quiet) else 1.0
        needed_s = GIVEN_AFTER_HORIZONS * limit.horizon_s
        if stands:
            needed_s = max(
                WITHDRAWN_AFTER_HORIZONS * limit.horizon_s,
                WITHDRAWN_AFTER_READINGS * known.interval_s,
            )
        if now - (self._moving_since if stands else self._quiet_since) >= needed_s:
            stands = not stands
        if stands:
            if self.state != "settled":
                self.state = "settled"
                self.since = now
            return verdict_text.moving(change, limit)
        self.since = None
        surely_moving |= drifting > 0.0
        if creeping and self.state != "warming" and not cycling:
            # The motion since the nudge may be a creep of the trimmer and not a warming oven.
            surely_moving = False
        self.state = "warming" if surely_moving else "unsure"
        if quiet and wait_s:
            return verdict_text.departed(wait_s)
        return _reason(known, excess, drifting, sure=surely_moving)


def _reason(known: VerdictInput, excess: float, drifting: float, *, sure: bool) -> str:
    """Return the reason why the verdict is not settled.

    Args:
        known: input of the verdict.
        excess: see `VerdictInput.excess`.
        drifting: see `VerdictInput.drifting`.
        sure: whether the offset surely moves by more than the limit.
    """
    limit, change = known.limit, known.change()
    shown = known.shown_cycle()
    if known.cycling() and shown is not None:
        return verdict_text.cycling(shown, limit)
    if sure:
        return verdict_text.moving(change if change > limit.limit else drifting, limit)
    if known.noise.variance(known.interval_s) == 0.0:
        return verdict_text.ALL_EQUAL
    if known.rounding_spread() > limit.limit:
        return verdict_text.TOO_COARSE
    return verdict_text.unsure(excess, known.now, known.noise, known.interval_s)
