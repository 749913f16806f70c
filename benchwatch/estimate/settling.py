"""Has the oven settled? Drift, verdict and time to go, from clean readings one at a time.

Settled means: from now on the offset stays within the limit of where it is now for the
horizon. A verdict is false when it is given while the noise-free offset will leave that band,
and late by the time since the first moment from which on it no longer will.

The verdict is an equivalence test. The forecast change (see `forecast`) and `COVERAGE` of its
standard uncertainties must stay within the limit up to the horizon, and beyond it within the
same rate: so a turning point is not settled, nor a warm-up tail that hides a constant drift
for some minutes. It is given when that has held for a twentieth of the horizon, and stands
until the forecast says for as long, beyond its uncertainty, that the offset moves by more than
the limit within the horizon; so neither a lucky moment gives it nor does it flicker.

Rounding that the readings share does not average: it counts as a floor of their deviation and
at both ends of the change. What past the forecast is made from says `evidence`; after a gap the
verdict is earned anew.

Drift and verdict are worked out anew every hundredth of the horizon, but then at most every
third reading unless readings are slower than a twentieth of the horizon; the verdict every
fourth time while it is far from changing. Against the rule
"moved less than the limit in the last horizon" see tests/benchmarks/test_quality_settling.py.
"""

import math
from dataclasses import replace
from typing import Final

import numpy as np

from benchwatch.estimate import settle_words
from benchwatch.estimate.blocks import Floats
from benchwatch.estimate.drift_slope import SlopeFinder
from benchwatch.estimate.evidence import Evidence
from benchwatch.estimate.forecast import HORIZONS, Forecast
from benchwatch.estimate.noise_model import NoiseModel
from benchwatch.estimate.outlook import Outlook
from benchwatch.estimate.results import Drift, Settle, SettleLimit, SettleState
from benchwatch.estimate.warmup import Warmup, fit_warmup

ALLOWANCE: Final = np.maximum(HORIZONS, 1.0)
"""Change allowed at each forecast time, in limits: up to the horizon one, then the same rate."""
COVERAGE: Final = np.array([2.5, 2.5, 2.5, 2.0, 2.0, 2.0])
"""Standard uncertainties added to each forecast change; fewer where it lies further ahead."""
REACH: Final = 8.0
"""Horizons that the drift looks back at most."""
PATIENCE: Final = 0.05
"""Horizons for which an oven must be seen settled before the verdict is given, and moving
before it is withdrawn: a nudge not yet confirmed as one does not withdraw it."""
FEW_INTERVALS: Final = 4.0
"""Intervals between readings up to which a gap is a few lost readings."""
FAR: Final = 3.0
"""Change that cannot be ruled out, in limits, from which on no verdict is near."""
RARELY: Final = 4.0
"""Times as long between verdicts when none is near, or one stands undisputed."""
DRIFT_HORIZON_S: Final = 600.0
"""Sets the scale of the drift's span when no limit was asked for."""


class Settling:
    """O(1) a reading and bounded memory; times on any origin, offsets to 1e-3."""

    def __init__(self, limit: SettleLimit | None) -> None:
        self._limit = limit
        self._horizon_s = limit.horizon_s if limit else DRIFT_HORIZON_S
        self._evidence = Evidence()
        self._worked_out_at = -math.inf
        self._state: SettleState = "unsure"
        self._since_s: float | None = None
        self._settle: Settle | None = None
        self._drift: Drift | None = None
        self._slope = SlopeFinder()
        self._readings_since = 0
        self._moving_since = math.inf
        self._calm_since = math.inf
        self._judged_at = -math.inf
        self._pause = 1.0
        self._warmup: Warmup | None = None
        self._fitted_at = -math.inf
        self._outlook = Outlook()
        self._heeds_drift = False
        """The drift has been surely as small as the verdict says. Before, it lags behind an oven
        that comes in; from then on a larger one contradicts the verdict."""

    def add(self, elapsed_s: float, offset: float, quantum: float = 0.0) -> None:
        """Take a clean reading; times must increase.

        Args:
            elapsed_s: middle of the gate.
            offset: fractional.
            quantum: last digit of the readings as a fraction; 0 when unknown.
        """
        if not (math.isfinite(elapsed_s) and math.isfinite(offset)):
            return
        self._readings_since += self._evidence.add(elapsed_s, offset, quantum)

    def step(self, at_s: float, size: float, u: float) -> None:  # noqa: ARG002 - fitted anew
        """A confirmed nudge: the first reading after it was at `at_s`.

        The fit gives each nudge a free step, so `size` and `u` are not needed.
        """
        if self._evidence.origin is None:
            return
        self._evidence.step(at_s)
        self._outlook.forget()
        self._worked_out_at = self._judged_at = -math.inf

    def retune(self, limit: SettleLimit | None) -> None:
        """Take another limit; the readings stay, the verdict is earned anew."""
        self._limit = limit
        self._horizon_s = limit.horizon_s if limit else DRIFT_HORIZON_S
        self._worked_out_at = -math.inf
        self._restart()
        self._calm_since = -math.inf

    def gap(self, lasted_s: float | None = None) -> None:
        """Readings stopped for a while: forget all but the noise.

        A few lost readings change nothing: the fits take each reading at its own time.

        Args:
            lasted_s: for how long, seconds; None when the readings before it say nothing of those
                to come.
        """
        interval_s = self._evidence.interval_s()
        if lasted_s is not None and lasted_s <= FEW_INTERVALS * interval_s:
            return
        self._evidence.gap()
        self._moving_since = math.inf
        self._worked_out_at = -math.inf
        self._restart()
        self._drift = None

    def _restart(self) -> None:
        self._state = "unsure"
        self._since_s = None
        self._settle = None
        self._calm_since = math.inf
        self._judged_at = -math.inf
        self._warmup = None
        self._fitted_at = -math.inf
        self._heeds_drift = False
        self._outlook.forget()

    def warmup(self) -> Warmup | None:
        """The exponential that the oven comes in by, for the screen; times since the run's zero."""
        if self._warmup is None or self._evidence.origin is None:
            return None
        start, reference = self._evidence.origin
        return replace(
            self._warmup, now=self._warmup.now + start, level=self._warmup.level + reference
        )

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
        if waited_s < self._horizon_s / 100.0 or (
            self._readings_since < 3 and waited_s < self._horizon_s / 20.0
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
            evidence.pyramid, evidence.last_step, REACH * self._horizon_s, noise
        )
        limit = self._limit
        if limit is None or evidence.now - self._judged_at < self._pause * limit.horizon_s / 100.0:
            return
        self._judged_at = evidence.now
        self._pause = 1.0
        blocks = evidence.blocks(self._horizon_s, interval_s) if interval_s else np.empty((3, 0))
        if noise is None or not evidence.enough(blocks):
            if self._state != "settled":
                self._settle = Settle(self._state, None, None, reason=settle_words.too_few(limit))
            return
        ahead = evidence.forecast(blocks, limit, noise, interval_s)
        if rounding:
            # Both ends of the change are known to the last digit only.
            ahead = replace(ahead, u=np.hypot(ahead.u, math.sqrt(2.0 * rounding)))
        reason = self._judge(ahead, limit, noise, interval_s, rounding)
        self._fit_warmup(blocks, noise, interval_s, limit)
        to_go = None
        if self._state != "settled" and reason not in settle_words.NO_TIME_HELPS:
            to_go = self._outlook.to_go(PATIENCE * limit.horizon_s)
        low, eta, high = to_go or (None, None, None)
        self._settle = Settle(self._state, self._since_s, eta, low, high, reason)

    def _judge(
        self,
        ahead: Forecast,
        limit: SettleLimit,
        noise: NoiseModel,
        interval_s: float,
        rounding: float,
    ) -> str:
        """Set the state; return its reason."""
        now = self._evidence.now
        size = np.abs(ahead.change) / (limit.limit * ALLOWANCE)
        spread = COVERAGE * ahead.u / (limit.limit * ALLOWANCE)
        within = HORIZONS <= 1.0
        change = float(np.abs(ahead.change[within]).max())
        least, most = self._drift_ahead(limit)
        lately = 0.5 * (least + most) if least > limit.limit else 0.0
        stands = self._state == "settled"
        self._heeds_drift |= stands and most < limit.limit
        contradicted = self._heeds_drift and lately > 0.0
        surely_moving = contradicted or bool((size - spread > 1.0)[within].any())
        excess = float((size + spread).max())
        self._outlook.add(now, excess)
        noiseless = noise.variance(interval_s) == 0.0
        calm = excess < 1.0 and not (contradicted or noiseless)
        patience_s = PATIENCE * limit.horizon_s
        self._moving_since = min(self._moving_since, now) if surely_moving else math.inf
        self._calm_since = min(self._calm_since, now) if calm else math.inf
        if excess > FAR or (stands and calm):
            self._pause = RARELY
        if now - (self._moving_since if stands else self._calm_since) >= patience_s:
            stands = not stands
        if stands:
            if self._state != "settled":
                self._state = "settled"
                origin = self._evidence.origin
                self._since_s = now + (origin[0] if origin else 0.0)
            return settle_words.moving(change, limit)
        self._since_s = None
        surely_moving |= lately > 0.0
        self._state = "warming" if surely_moving else "unsure"
        if surely_moving:
            return settle_words.moving(change if change > limit.limit else lately, limit)
        if noiseless:
            return settle_words.ALL_EQUAL
        if COVERAGE[0] * math.sqrt(2.0 * rounding) > limit.limit:
            return settle_words.TOO_COARSE
        return settle_words.unsure(excess, now, noise, interval_s)

    def _drift_ahead(self, limit: SettleLimit) -> tuple[float, float]:
        """The least and the most that the drift of late comes to over the horizon: 2 u off it."""
        if self._drift is None or self._drift.u is None:
            return 0.0, math.inf
        change, u = (x * limit.horizon_s for x in (abs(self._drift.per_s), self._drift.u))
        return change - 2.0 * u, change + 2.0 * u

    def _fit_warmup(
        self, blocks: Floats, noise: NoiseModel, interval_s: float, limit: SettleLimit
    ) -> None:
        """Fit the curve to the readings after the last nudge, every fiftieth of the horizon."""
        if self._state == "settled":
            self._warmup = None
            return
        now = self._evidence.now
        if now - self._fitted_at < limit.horizon_s / 50.0:
            return
        self._fitted_at = now
        blocks = blocks[:, int(blocks[0].searchsorted(self._evidence.last_step)) :]
        width_s = blocks[2] * interval_s
        variance = noise.white / width_s + noise.flicker + (1e-6 * limit.limit) ** 2
        self._warmup = fit_warmup(blocks[0], blocks[1], variance, now, width_s)
