"""The curve that the screen draws through a warm-up, fitted anew now and then."""

import math
from dataclasses import replace

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.settle.noise_model import NoiseModel
from benchwatch.estimate.settle.warm_up_fit import WarmUpFit, fit_warm_up


class WarmUpCurve:
    """Fitted every fiftieth of the horizon to the readings after the last nudge."""

    def __init__(self) -> None:
        self._warmup: WarmUpFit | None = None
        self._fitted_at = -math.inf

    def forget(self) -> None:
        """There is no curve."""
        self._warmup = None
        self._fitted_at = -math.inf

    def since(self, origin: tuple[float, float] | None) -> WarmUpFit | None:
        """Return it on the clock and the scale on which `origin` is given; None without one."""
        if self._warmup is None or origin is None:
            return None
        start, reference = origin
        fit = self._warmup
        return replace(fit, now=fit.now + start, level=fit.level + reference)

    def fit(
        self,
        blocks: FloatArray,
        *,
        now: float,
        since: float,
        noise: NoiseModel,
        interval_s: float,
        limit: SettleLimit,
    ) -> None:
        """Fit it to the `blocks` from `since` on, as of `now`; see `Evidence.blocks`."""
        if now - self._fitted_at < limit.horizon_s / 50.0:
            return
        self._fitted_at = now
        blocks = blocks[:, int(blocks[0].searchsorted(since)) :]
        width_s = blocks[2] * interval_s
        variance = noise.white / width_s + noise.flicker + (1e-6 * limit.limit) ** 2
        self._warmup = fit_warm_up(blocks[0], blocks[1], variance, now, width_s)
