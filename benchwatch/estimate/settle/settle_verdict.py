"""Settled, warming or unsure: the state of the verdict, and how slowly it changes.

The forecast change, that of a cycle and their uncertainties must together stay within the limit
up to the horizon, and beyond it within the same rate. The verdict is given when that has held for
`GIVEN_AFTER`, and stands until the opposite is sure for `WITHDRAWN_AFTER` and for `FEW_READINGS` at
least: turns that are not yet confirmed as nudges do not withdraw it.
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
GIVEN_AFTER: Final = 0.03
"""Horizons for which an oven must be seen settled before the verdict is given."""
WITHDRAWN_AFTER: Final = 0.05
"""Horizons for which it must be seen moving before the verdict is withdrawn."""
FEW_READINGS: Final = 20
"""Readings for which it must be seen moving before the verdict is withdrawn, at least."""
CREEP_READINGS: Final = 48
"""Readings after a nudge during which the trimmer may creep, so that they withdraw no verdict. A
creep is over within a few dozen readings (common practice, no source)."""
TRIM_READINGS: Final = 5 * CREEP_READINGS
"""Readings, beside a horizon, for which nudge may follow nudge before they withdraw the verdict."""
FAR: Final = 3.0
"""Change that can't be ruled out, in limits, above which no verdict is near."""
RARELY: Final = 4.0
"""Times as long between two evaluations when no verdict is near, or one stands unchallenged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictInput:
    """What a verdict is made from; times are since the first reading, the rest is fractional."""

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
        """The largest change that can't be ruled out, with that of a cycle, in limits allowed."""
        size, spread = np.abs(self.ahead.change), self.spread()
        if self.cycle is not None:
            swing, swing_u = self.cycle.within(self.limit.horizon_s, self.now)
            size, spread = size + swing, np.hypot(spread, CYCLE_COVERAGE * swing_u)
        return float(((size + spread) / (self.limit.limit * ALLOWANCE)).max())

    def spread(self) -> FloatArray:
        """How far each forecast change may be off, by its u and by rounding."""
        return np.hypot(COVERAGE * self.ahead.u, self.rounding_spread())

    def rounding_spread(self) -> float:
        """How far a change may be off by rounding at both its ends."""
        return ROUNDING_COVERAGE * math.sqrt(2.0 * self.rounding)

    def cycling(self) -> bool:
        """Tell whether a cycle surely moves the offset by more than the limit."""
        if self.cycle is None or not self.cycle.sure:
            return False
        swing, swing_u = self.cycle.within(self.limit.horizon_s, self.now)
        return swing - CYCLE_COVERAGE * swing_u > self.limit.limit

    def shown_cycle(self) -> OffsetCycle | None:
        """Return the cycle that is shown."""
        return None if self.cycle is None else self.cycle.shown(self.limit.limit)

    def change(self) -> float:
        """The largest change forecast within the horizon."""
        return float(np.abs(self.ahead.change[HORIZONS <= 1.0]).max())

    def expected(self) -> ExpectedOffset:
        """Return the nearest forecast."""
        in_s = float(HORIZONS[0]) * self.limit.horizon_s
        return ExpectedOffset(
            in_s=in_s, change=float(self.ahead.change[0]), spread=float(self.spread()[0])
        )

    def surely_moving(self) -> bool:
        """Tell whether the forecast change is above the limit beyond its uncertainty."""
        sure = np.abs(self.ahead.change) - self.spread() > self.limit.limit
        return bool(sure[HORIZONS <= 1.0].any())

    def drift_ahead(self) -> tuple[float, float]:
        """The least and the most that the present drift comes to over the horizon: 2u around it."""
        if self.drift is None or self.drift.u is None:
            return 0.0, math.inf
        change, u = (x * self.limit.horizon_s for x in (abs(self.drift.per_s), self.drift.u))
        return change - 2.0 * u, change + 2.0 * u

    def drifting(self) -> float:
        """What the present drift comes to over the horizon where it is surely too large, else 0.

        The drift of a cycle between its turning points comes back, and does not count.
        """
        least, most = self.drift_ahead()
        back = 0.0 if self.cycle is None else self.cycle.steepest() * self.limit.horizon_s
        return 0.5 * (least + most) if least > self.limit.limit + back else 0.0


class SettleVerdict:
    """O(1) and bounded; `judge` is called at each evaluation."""

    def __init__(self) -> None:
        self.departures = Departures()
        self.time_to_go = TimeToGo()
        self.restart()

    def restart(self) -> None:
        """Begin anew: unsure."""
        self.state: SettleState = "unsure"
        self.since: float | None = None
        """When it was given, in seconds since the first reading."""
        self.pause = 1.0
        """Times the usual wait until the next evaluation."""
        self._moving_since = math.inf
        self._quiet_since = math.inf
        self._nudged_at = -math.inf
        self._creeps_since = math.inf
        self._drift_was_small = False
        # Set once the drift is surely as small as the verdict says. Before, it lags behind an oven
        # that comes in; from then on a larger one contradicts the verdict.
        self.departures.forget()
        self.time_to_go.forget()

    def at_once(self) -> None:
        """Begin anew, and give the verdict at the next evaluation if it can be: for a new limit."""
        self.restart()
        self._quiet_since = -math.inf

    def nudged(self, at: float) -> None:
        """Take a confirmed nudge: what seemed to move since `at` was the nudge."""
        self._nudged_at = at
        self._moving_since = math.inf
        self.time_to_go.forget()
        self.departures.nudged(at)

    def creeping(self, known: VerdictInput) -> bool:
        """Tell whether a nudge is so recent that the trimmer may still creep."""
        return known.now - self._nudged_at < CREEP_READINGS * known.interval_s

    def resume(self, now: float) -> None:
        """Go on after a gap over which the level stayed; `now` is since the first reading, s."""
        self._moving_since = math.inf
        self.since = now

    def about_to_settle(self, known: VerdictInput, excess: float) -> bool:
        """Tell whether the verdict would be given now if no unknown cycle is found."""
        waited_s = known.now - self._quiet_since
        return (
            excess < 1.0
            and self.state != "settled"
            and waited_s >= GIVEN_AFTER * known.limit.horizon_s
        )

    def to_go(self, known: VerdictInput) -> tuple[float, float, float] | None:
        """Seconds until the verdict: low, middle, high; None when unknown."""
        if self.state == "settled" or (known.cycling() and known.shown_cycle() is not None):
            return None
        expected = self.time_to_go.seconds(GIVEN_AFTER * known.limit.horizon_s)
        wait_s = self.departures.wait_s(known.now, known.limit.horizon_s)
        if expected is None or not wait_s:
            return expected
        low, middle, high = expected
        return max(low, wait_s), wait_s + middle, wait_s + high

    def judge(self, known: VerdictInput) -> str:
        """Set the state; return its reason."""
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
        if known.cycle is not None and known.ahead.misfit < FOLLOWS:
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
        # An oscillator that runs away looks like endless nudges.
        self._creeps_since = min(self._creeps_since, now) if creeping else math.inf
        trim_s = limit.horizon_s + TRIM_READINGS * known.interval_s
        creeping &= now - self._creeps_since < trim_s
        # A fit across nudges may see motion where the drift since the last one is surely none.
        moving = (
            contradicted or cycling or away or (surely_moving and most > limit.limit)
        ) and not creeping
        self._moving_since = min(self._moving_since, now) if moving else math.inf
        self._quiet_since = min(self._quiet_since, now) if quiet and not wait_s else math.inf
        self.pause = RARELY if excess > FAR or (stands and quiet) else 1.0
        needed_s = GIVEN_AFTER * limit.horizon_s
        if stands:
            needed_s = max(WITHDRAWN_AFTER * limit.horizon_s, FEW_READINGS * known.interval_s)
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
            # The motion since the nudge may be a creep of the trimmer, not of a warming oven.
            surely_moving = False
        self.state = "warming" if surely_moving else "unsure"
        if quiet and wait_s:
            return verdict_text.departed(wait_s)
        return _reason(known, excess, drifting, sure=surely_moving)


def _reason(known: VerdictInput, excess: float, drifting: float, *, sure: bool) -> str:
    """Say why it is not settled.

    Args:
        known: what the verdict is made from.
        excess: change that can't be ruled out, in limits.
        drifting: what the drift comes to within the horizon where it is surely too large, else 0.
        sure: whether it surely moves by more than the limit.
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
