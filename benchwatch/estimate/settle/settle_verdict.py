"""Settled, warming or unsure: the state of the verdict, and how slowly it changes.

The forecast change, that of a cycle and their uncertainties must together stay within the limit
up to the horizon, and beyond it within the same rate. The verdict is given when that has held for
`CALM`, and stands until the opposite is sure for `PATIENCE`, over `FEW_READINGS` at least: turns
that are not yet confirmed as nudges do not withdraw it.
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
from benchwatch.estimate.settle.past_readings import FOLLOWS
from benchwatch.estimate.settle.time_to_go import TimeToGo

ALLOWANCE: Final = np.maximum(HORIZONS, 1.0)
"""Change allowed at each forecast time, in limits: up to the horizon one, then the same rate."""
COVERAGE: Final = np.array([2.3, 2.3, 2.3, 1.9, 1.9, 1.9])
"""Standard uncertainties added to each forecast change; fewer where it lies further ahead."""
ROUNDING_COVERAGE: Final = 2.5
"""The same for rounding at both ends of a change: a digit over root 6, and never over a digit."""
CYCLE_COVERAGE: Final = 2.0
"""Standard uncertainties added to the swing of a cycle."""
CALM: Final = 0.03
"""Horizons for which an oven must be seen settled before the verdict is given."""
PATIENCE: Final = 0.05
"""Horizons for which it must be seen moving before the verdict is withdrawn."""
FEW_READINGS: Final = 20
"""Readings for which it must be seen moving before the verdict is withdrawn, at least."""
CREEP_READINGS: Final = 48
"""Readings after a nudge in which the trimmer may creep: they withdraw no verdict. Creeping is
over within a few dozen readings (common practice, no source)."""
TRIM_READINGS: Final = 5 * CREEP_READINGS
"""Readings, beside a horizon, for which turn may follow turn before that withdraws the verdict."""
FAR: Final = 3.0
"""Change that cannot be ruled out, in limits, from which on no verdict is near."""
RARELY: Final = 4.0
"""Times as long between verdicts when none is near, or one stands undisputed."""


@dataclass(frozen=True, slots=True)
class VerdictInput:
    """What a verdict rests on; times in seconds since the first reading, the rest fractional."""

    now: float
    limit: SettleLimit
    ahead: ChangeForecast
    drift: Drift | None
    cycle: FittedCycle | None
    level: float
    """Mean of late."""
    level_u: float
    noise: NoiseModel
    interval_s: float
    rounding: float
    """Variance of means from rounding."""

    def excess(self) -> float:
        """The largest change that can't be ruled out, with that of a cycle, in limits allowed."""
        size, spread = np.abs(self.ahead.change), self.spread()
        if self.cycle is not None:
            swing, swing_u = self.cycle.within(self.limit.horizon_s, self.now)
            size, spread = size + swing, np.hypot(spread, CYCLE_COVERAGE * swing_u)
        return float(((size + spread) / (self.limit.limit * ALLOWANCE)).max())

    def spread(self) -> FloatArray:
        """How far each forecast change may be off; both its ends are known to the last digit."""
        return np.hypot(COVERAGE * self.ahead.u, self.rounded())

    def rounded(self) -> float:
        """How far a change may be off by rounding at both its ends."""
        return ROUNDING_COVERAGE * math.sqrt(2.0 * self.rounding)

    def cycling(self) -> bool:
        """Tell whether a cycle surely moves the offset by more than the limit."""
        if self.cycle is None or not self.cycle.sure:
            return False
        swing, swing_u = self.cycle.within(self.limit.horizon_s, self.now)
        return swing - CYCLE_COVERAGE * swing_u > self.limit.limit

    def shown_cycle(self) -> OffsetCycle | None:
        """Return the cycle that people are told of."""
        return None if self.cycle is None else self.cycle.shown(self.limit.limit)

    def change(self) -> float:
        """The largest change forecast within the horizon."""
        return float(np.abs(self.ahead.change[HORIZONS <= 1.0]).max())

    def expected(self) -> ExpectedOffset:
        """Return the nearest forecast."""
        in_s = float(HORIZONS[0]) * self.limit.horizon_s
        return ExpectedOffset(in_s, float(self.ahead.change[0]), float(self.spread()[0]))

    def surely_moving(self) -> bool:
        """Tell whether the forecast change is above the limit beyond its uncertainty."""
        sure = np.abs(self.ahead.change) - self.spread() > self.limit.limit
        return bool(sure[HORIZONS <= 1.0].any())

    def drift_ahead(self) -> tuple[float, float]:
        """The least and the most that the drift of late comes to over the horizon: 2 u off it."""
        if self.drift is None or self.drift.u is None:
            return 0.0, math.inf
        change, u = (x * self.limit.horizon_s for x in (abs(self.drift.per_s), self.drift.u))
        return change - 2.0 * u, change + 2.0 * u

    def drifting(self) -> float:
        """What the drift of late comes to over the horizon where it is surely too large, else 0.

        What a cycle drifts by between its turns is known to come back.
        """
        least, most = self.drift_ahead()
        back = 0.0 if self.cycle is None else self.cycle.steepest() * self.limit.horizon_s
        return 0.5 * (least + most) if least > self.limit.limit + back else 0.0


class SettleVerdict:
    """O(1) and bounded; `judge` is called with each new case."""

    def __init__(self) -> None:
        self.departures = Departures()
        self.outlook = TimeToGo()
        self.restart()

    def restart(self) -> None:
        """Begin anew: unsure."""
        self.state: SettleState = "unsure"
        self.since: float | None = None
        """When it was given, on the clock of the cases."""
        self.pause = 1.0
        """Times as long to wait before the next case."""
        self._moving_since = math.inf
        self._calm_since = math.inf
        self._nudged_at = -math.inf
        self._creeps_since = math.inf
        self._heeds_drift = False
        # The drift has been surely as small as the verdict says. Before, it lags behind an oven
        # that comes in; from then on a larger one contradicts the verdict.
        self.departures.forget()
        self.outlook.forget()

    def at_once(self) -> None:
        """Give the verdict at the next case if that speaks for it: only the limit is another."""
        self.restart()
        self._calm_since = -math.inf

    def nudged(self, at: float) -> None:
        """A nudge was confirmed: what seemed to move since `at` was that."""
        self._nudged_at = at
        self._moving_since = math.inf
        self.outlook.forget()
        self.departures.nudged(at)

    def creeping(self, case: VerdictInput) -> bool:
        """Tell whether a nudge is so near that what moves may be the trimmer."""
        return case.now - self._nudged_at < CREEP_READINGS * case.interval_s

    def resume(self, now: float) -> None:
        """Readings go on after a gap where they were before; `now` on the clock of the cases."""
        self._moving_since = math.inf
        self.since = now

    def about_to_settle(self, case: VerdictInput, excess: float) -> bool:
        """Tell whether the verdict would be given now but for a cycle not yet looked for."""
        waited_s = case.now - self._calm_since
        return excess < 1.0 and self.state != "settled" and waited_s >= CALM * case.limit.horizon_s

    def to_go(self, case: VerdictInput) -> tuple[float, float, float] | None:
        """Seconds until the verdict: low, middle, high; None when there is no telling."""
        if self.state == "settled" or (case.cycling() and case.shown_cycle() is not None):
            return None
        told = self.outlook.to_go(CALM * case.limit.horizon_s)
        wait_s = self.departures.wait_s(case.now, case.limit.horizon_s)
        if told is None or not wait_s:
            return told
        low, middle, high = told
        return max(low, wait_s), wait_s + middle, wait_s + high

    def judge(self, case: VerdictInput) -> str:
        """Set the state; return its reason."""
        limit, now = case.limit, case.now
        excess, change = case.excess(), case.change()
        most = case.drift_ahead()[1]
        lately = case.drifting()
        stands = self.state == "settled"
        self._heeds_drift |= stands and most < limit.limit
        contradicted = self._heeds_drift and lately > 0.0
        cycling = case.cycling()
        surely_moving = contradicted or cycling or case.surely_moving()
        noiseless = case.noise.variance(case.interval_s) == 0.0
        calm = excess < 1.0 and not (contradicted or noiseless)
        creeping = self.creeping(case)
        away = False
        if case.cycle is not None and case.ahead.misfit < FOLLOWS:
            self.departures.dies_away(*case.cycle.large(limit.limit))
        if not creeping:
            away = self.departures.add(
                now,
                case.level,
                case.level_u,
                calm=calm,
                limit=limit.limit,
                horizon_s=limit.horizon_s,
                expected=case.expected(),
            )
        wait_s = self.departures.wait_s(now, limit.horizon_s)
        self.outlook.add(now, excess)
        # An oscillator that runs away looks like nudges without end.
        self._creeps_since = min(self._creeps_since, now) if creeping else math.inf
        trim_s = limit.horizon_s + TRIM_READINGS * case.interval_s
        creeping &= now - self._creeps_since < trim_s
        # A fit over turns may see motion where the drift since the last one is surely none.
        moving = (
            contradicted or cycling or away or (surely_moving and most > limit.limit)
        ) and not creeping
        self._moving_since = min(self._moving_since, now) if moving else math.inf
        self._calm_since = min(self._calm_since, now) if calm and not wait_s else math.inf
        self.pause = RARELY if excess > FAR or (stands and calm) else 1.0
        patience_s = CALM * limit.horizon_s
        if stands:
            patience_s = max(PATIENCE * limit.horizon_s, FEW_READINGS * case.interval_s)
        if now - (self._moving_since if stands else self._calm_since) >= patience_s:
            stands = not stands
        if stands:
            if self.state != "settled":
                self.state = "settled"
                self.since = now
            return verdict_text.moving(change, limit)
        self.since = None
        surely_moving |= lately > 0.0
        if creeping and self.state != "warming" and not cycling:
            # What moves since the nudge may be the trimmer; it is no sign of an oven.
            surely_moving = False
        self.state = "warming" if surely_moving else "unsure"
        if calm and wait_s:
            return verdict_text.departed(wait_s)
        return _reason(case, excess, lately, sure=surely_moving)


def _reason(case: VerdictInput, excess: float, lately: float, *, sure: bool) -> str:
    """Say why it is not settled.

    Args:
        case: what speaks against it.
        excess: change that can't be ruled out, in limits.
        lately: what the drift comes to within the horizon where it is surely too large, else 0.
        sure: whether it surely moves by more than the limit.
    """
    limit, change = case.limit, case.change()
    shown = case.shown_cycle()
    if case.cycling() and shown is not None:
        return verdict_text.cycling(shown, limit)
    if sure:
        return verdict_text.moving(change if change > limit.limit else lately, limit)
    if case.noise.variance(case.interval_s) == 0.0:
        return verdict_text.ALL_EQUAL
    if case.rounded() > limit.limit:
        return verdict_text.TOO_COARSE
    return verdict_text.unsure(excess, case.now, case.noise, case.interval_s)
