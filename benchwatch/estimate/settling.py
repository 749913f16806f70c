"""Has the oven settled? Drift, verdict and time to go, from clean readings one at a time.

Settled means: from now on the offset moves by less than the limit within the horizon. The
verdict is an equivalence test: the forecast change (see `forecast`) plus `COVERAGE` times its
uncertainty must stay below the limit at each of a few times within the horizon, and, at the
same rate, at twice the horizon, so that a constant drift above the limit never passes while a
warm-up tail cancels it. It is given on that and withdrawn only when the forecast says, beyond
its uncertainty, that the offset moves by more than the limit; so it does not flicker.

Evidence. The fit takes the last half of the time since the first reading (eight horizons at
most). A nudge adds a free step to the fit: the readings before it still bear on the drift and
neither its size nor the size's uncertainty needs to be known. A gap ends the evidence: the
oven may have lost power meanwhile, so only the noise is remembered and the verdict is earned
anew. Verdict and drift are worked out again at most once every two-hundredth of the horizon,
and see the last hundredth of it when it is over.
"""

import math
from typing import Final

import numpy as np

from benchwatch.estimate.blocks import Floats, Pyramid
from benchwatch.estimate.forecast import HORIZONS, Forecast, forecast
from benchwatch.estimate.noise_model import NoiseModel, fit_noise
from benchwatch.estimate.regression import fit_line
from benchwatch.estimate.results import Drift, Settle, SettleLimit, SettleState

ALLOWANCE: Final = np.maximum(HORIZONS, 1.0)
"""Change allowed at each forecast time, in limits: up to the horizon one, then the same rate."""
COVERAGE: Final = np.array([1.7, 1.7, 1.7, 1.5, 1.0, 0.8])
"""Standard uncertainties added to each forecast change; fewer where it reaches beyond the horizon."""
FINEST: Final = 100.0
"""Blocks are no shorter than this fraction of the horizon."""
BLOCKS_PER_OCTAVE: Final = 6
"""Blocks lengthen with their age: a sixth of it at most."""
SHARE: Final = 0.5
REACH: Final = 8.0
"""Horizons that the fit looks back at most."""
FEWEST: Final = 8
STEPS: Final = 6
"""Nudges fitted at once; readings before an older one no longer count."""
SLOPE_BLOCKS: Final = 32
LOOSE: Final = 5.0
TIGHT: Final = 10.0
"""The drift's span lengthens while the drift is under `LOOSE` u, shortens from `TIGHT` u on."""
DRIFT_HORIZON_S: Final = 600.0
"""Sets the scale of the drift's span when no limit was asked for."""


class Settling:
    """O(1) a reading and bounded memory; times on any origin, offsets to 1e-3."""

    def __init__(self, limit: SettleLimit | None) -> None:
        self._limit = limit
        self._horizon_s = limit.horizon_s if limit else DRIFT_HORIZON_S
        self._pyramid = Pyramid()
        self._origin: tuple[float, float] | None = None
        self._now = 0.0
        self._steps: list[float] = []
        self._worked_out_at = -math.inf
        self._state: SettleState = "unsure"
        self._since_s: float | None = None
        self._settle: Settle | None = None
        self._drift: Drift | None = None
        self._drift_level = 0

    def add(self, elapsed_s: float, offset: float) -> None:
        """Take a clean reading; times must increase."""
        if not (math.isfinite(elapsed_s) and math.isfinite(offset)):
            return
        if self._origin is None:
            self._origin = (elapsed_s, offset)
        start, reference = self._origin
        t = elapsed_s - start
        if t < self._now:
            return
        self._now = t
        self._pyramid.add(t, offset - reference)

    def step(self, at_s: float, size: float, u: float) -> None:  # noqa: ARG002 - fitted anew
        """A confirmed nudge: the first reading after it was at `at_s`.

        The fit gives each nudge a free step, so `size` and `u` are not needed.
        """
        if self._origin is None:
            return
        at = at_s - self._origin[0]
        for t, y in self._pyramid.cut(at):
            self._pyramid.add(t, y)
        self._steps.append(at)
        self._worked_out_at = -math.inf

    def retune(self, limit: SettleLimit | None) -> None:
        """Take another limit; the readings stay, the verdict is earned anew."""
        self._limit = limit
        self._horizon_s = limit.horizon_s if limit else DRIFT_HORIZON_S
        self._worked_out_at = -math.inf
        self._state = "unsure"
        self._since_s = None
        self._settle = None

    def gap(self) -> None:
        """Readings stopped for a while: forget all but the noise."""
        self._pyramid.restart()
        self._origin = None
        self._now = 0.0
        self._steps.clear()
        self._worked_out_at = -math.inf
        self._state = "unsure"
        self._since_s = None
        self._settle = None
        self._drift = None

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
        if self._now - self._worked_out_at < self._horizon_s / 200.0:
            return
        self._worked_out_at = self._now
        interval_s = self._interval_s()
        noise = self._noise(interval_s) if interval_s else None
        if interval_s:
            self._slope(noise)
        if self._limit is None:
            return
        if noise is None:
            self._settle = Settle("unsure", None, None, reason="too few readings so far")
            return
        blocks = self._blocks(interval_s)
        if blocks.shape[1] < FEWEST + len(self._steps):
            self._settle = Settle("unsure", None, None, reason="too few readings so far")
            return
        self._judge(
            forecast(
                blocks,
                self._now,
                horizon_s=self._horizon_s,
                scale=self._limit.limit,
                noise=noise,
                interval_s=interval_s,
                steps=tuple(self._steps),
            ),
            self._limit,
        )

    def _judge(self, ahead: Forecast, limit: SettleLimit) -> None:
        allowed = limit.limit * ALLOWANCE
        size = np.abs(ahead.change) / allowed
        u = ahead.u / allowed
        worst = float(np.max(size + COVERAGE * u))
        moving = float(np.max(size - COVERAGE * u))
        if worst < 1.0 or (self._state == "settled" and moving <= 1.0):
            if self._state != "settled":
                self._state = "settled"
                self._since_s = self._now + (self._origin or (0.0, 0.0))[0]
        else:
            self._since_s = None
            self._state = "warming" if moving > 1.0 else "unsure"
        self._settle = Settle(self._state, self._since_s, None, reason="")

    def _slope(self, noise: NoiseModel | None) -> None:
        """Least squares over the span that is long enough to be significant, no longer.

        With κ = 2.55 (flicker FM; white √6, random walk √7.2) the slope's sd is κ·σy(T/2)/T
        for a span T, σy free of the drift because it comes from second differences.
        """
        here = self._slope_at(self._drift_level, noise)
        if here is None or here.u is None or abs(here.per_s) < LOOSE * here.u:
            longer = self._slope_at(self._drift_level + 1, noise)
            if longer and (here is None or longer.span_s > 1.3 * here.span_s):
                self._drift_level += 1
                here = longer
        elif self._drift_level:
            shorter = self._slope_at(self._drift_level - 1, noise)
            if shorter and shorter.u is not None and abs(shorter.per_s) > TIGHT * shorter.u:
                self._drift_level -= 1
                here = shorter
        if here is None and self._drift_level:
            self._drift_level -= 1
            here = self._slope_at(self._drift_level, noise)
        self._drift = here or self._drift

    def _slope_at(self, level: int, noise: NoiseModel | None) -> Drift | None:
        """Slope of a level's newest blocks; None when they are too few or reach too far back."""
        if level >= len(self._pyramid.levels):
            return None
        rows = self._pyramid.levels[level].rows()[:, -SLOPE_BLOCKS:]
        if self._steps:
            rows = rows[:, rows[0] >= self._steps[-1]]
        if rows.shape[1] < (SLOPE_BLOCKS // 2 if level else 3):
            return None
        line = fit_line(rows[0], rows[1])
        span_s = line.span * rows.shape[1] / (rows.shape[1] - 1)
        if level and span_s > REACH * self._horizon_s:
            return None
        u = 2.55 * math.sqrt(noise.variance(span_s / 2.0)) / span_s if noise else None
        return Drift(line.slope, u, span_s)

    def _interval_s(self) -> float:
        """Mean time from one reading to the next, lately."""
        t = self._pyramid.levels[0].rows()[0]
        return float((t[-1] - t[0]) / (len(t) - 1)) if len(t) > 1 else 0.0

    def _noise(self, interval_s: float) -> NoiseModel | None:
        longest = max(self._horizon_s, self._now) / 32.0
        points = []
        for level, blocks in enumerate(self._pyramid.levels):
            tau_s = interval_s * 2.0**level
            if level and tau_s > longest:
                break
            points.append((tau_s, *blocks.hadamard()))
        return fit_noise(points)

    def _blocks(self, interval_s: float) -> Floats:
        """Means, times and readings of blocks that lengthen with age."""
        start = self._now - min(self._now * SHARE, REACH * self._horizon_s)
        if len(self._steps) > STEPS:
            start = max(start, self._steps[-STEPS - 1])
        finest = self._horizon_s / FINEST / interval_s
        level = max(0, min(math.ceil(math.log2(finest)), len(self._pyramid.levels) - 1))
        parts: list[Floats] = []
        end = math.inf
        most = 2 * BLOCKS_PER_OCTAVE
        for blocks in self._pyramid.levels[level:]:
            rows = blocks.rows()
            stop = int(rows[3].searchsorted(end))
            first = int(rows[0, :stop].searchsorted(start))
            part = rows[:3, max(first, stop - most) : stop]
            if part.shape[1]:
                parts.append(part)
                end = float(part[0, 0])
            if stop and first > stop - most:
                break
            if parts:
                most = BLOCKS_PER_OCTAVE
        while self._steps and self._steps[0] < start:
            self._steps.pop(0)
        return np.concatenate(parts[::-1], axis=1) if parts else np.empty((3, 0))
