"""The past readings from which drift and settle verdict are computed: block means, noise, nudges.

The forecast is fitted to the last three quarters of the time since the first reading, or to half or
a quarter of it when the fit does not follow more. A nudge adds a free step to the fit: the readings
before it still count for the drift, and neither its size nor its u need be known. After a gap only
the noise is kept: the oven may have lost its power meanwhile.
"""

import math
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.block_means import OctaveMeans
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.rounding import rounding_variance_of_array
from benchwatch.estimate.settle.change_forecast import ChangeForecast, forecast_change
from benchwatch.estimate.settle.fitted_cycle import FittedCycle
from benchwatch.estimate.settle.noise_model import NoiseModel, fit_noise

BLOCKS_PER_HORIZON: Final = 100.0
"""Blocks need be no shorter than the horizon divided by this."""
BLOCKS_PER_PAST: Final = 64.0
"""Blocks need be no shorter than the time since the first reading divided by this."""
BLOCKS_PER_OCTAVE: Final = 6
"""Blocks lengthen with their age: a sixth of it at most."""
FITTED_SHARES: Final = (0.75, 0.5, 0.25)
"""Shares of the time since the first reading; the first that the fit follows is taken."""
GOOD_MISFIT: Final = 2.0
"""Reduced chi-square below which the fit follows the readings."""
FEWEST_BLOCKS: Final = 8
"""Fewest blocks of a forecast, beside one for each nudge."""
CYCLE_BLOCKS: Final = 6
"""Further blocks that a forecast with a cycle needs."""
GAP_INTERVALS: Final = 4.0
"""Time between two readings, in mean intervals, from which on it is a gap."""
MOST_NUDGES: Final = 6
"""Most nudges in a fit; readings before an older nudge no longer count."""
CLOSE_READINGS: Final = 8
"""Nudges fewer readings apart count as one, and the readings between them are left out."""


class PastReadings:
    """Block means, noise and nudges of the readings so far; O(1) a reading, bounded memory.

    Times may have any origin. They are stored relative to the first reading, and offsets likewise,
    so that no digits are lost.
    """

    def __init__(self) -> None:
        self.means = OctaveMeans()
        self.steps: list[float] = []
        """Times of the nudges that still count, s since the first reading."""
        self.origin: tuple[float, float] | None = None
        """Time (s) and offset of the first reading; None when there is none."""
        self.now = 0.0
        """Time of the newest reading, s since the first."""
        self.last_step = -math.inf
        """Time of the newest nudge, s since the first reading; minus infinity without one."""
        self._newest_dropped_step = -math.inf
        """Time of the newest nudge that is not in `steps`; readings before it no longer count."""
        self._quantum = 0.0

    def add(self, elapsed_s: float, offset: float, quantum: float = 0.0) -> bool:
        """Take a clean reading and its last digit, 0 if unknown; False if its time is not later."""
        self._quantum = quantum
        if self.origin is None:
            self.origin = (elapsed_s, offset)
        elif elapsed_s - self.origin[0] <= self.now:
            return False
        start, reference = self.origin
        t = self.now = elapsed_s - start
        self.means.add(t, offset - reference)
        return True

    def step(self, at_s: float) -> None:
        """Take a nudge; the first reading after it was at `at_s`."""
        assert self.origin is not None
        at = at_s - self.origin[0]
        first = at
        times = self.means.levels[0].rows()[0]
        while (
            self.steps
            and times.searchsorted(at) - times.searchsorted(self.steps[-1]) < CLOSE_READINGS
        ):
            first = min(first, self.steps.pop())
        for t, y in self.means.cut(first):
            if t >= at:
                self.means.add(t, y)
        self.steps.append(at)
        self.last_step = at

    def leave_out(self, until: float) -> None:
        """Leave out the readings from the newest nudge to `until` (s): the trimmer crept."""
        at = self.steps.pop() if self.steps else self.last_step
        for t, y in self.means.cut(at):
            if t >= until:
                self.means.add(t, y)
        self.steps.append(until)
        self.last_step = until

    def resume(self, readings: list[tuple[float, float, float]]) -> None:
        """Take the readings after a gap, with their last digits; no block lies across the gap."""
        assert self.origin is not None
        self.means.cut(readings[0][0] - self.origin[0])
        for elapsed_s, offset, quantum in readings:
            self.add(elapsed_s, offset, quantum)

    def gap(self) -> None:
        """Discard all but the noise."""
        self.means.restart()
        self.origin = None
        self.now = 0.0
        self.last_step = self._newest_dropped_step = -math.inf
        self.steps.clear()

    def interval_s(self) -> float:
        """Return the usual time between the newest readings, s; 0 when unknown."""
        t = self.means.levels[0].rows()[0]
        if len(t) < 2:
            return 0.0
        mean_s = float((t[-1] - t[0]) / (len(t) - 1))
        # With a gap among the intervals, the median is the usual one.
        steps = t[1:] - t[:-1]
        if np.maximum.reduce(steps) < GAP_INTERVALS * mean_s:
            return mean_s
        steps.sort()
        return float(steps[(steps.size - 1) // 2] + steps[steps.size // 2]) / 2.0

    def level(
        self, blocks: FloatArray, span_s: float, noise: NoiseModel, interval_s: float
    ) -> tuple[float, float]:
        """Return the mean of the newest `span_s` seconds since the last nudge, and its u."""
        since = max(self.now - span_s, self.last_step)
        recent = blocks[:, min(int(blocks[0].searchsorted(since)), blocks.shape[1] - 1) :]
        readings = float(recent[2].sum())
        mean = float(recent[1] @ recent[2]) / readings
        return mean, float(np.sqrt(noise.variance(readings * interval_s)))

    def rounding(self) -> float:
        """Return the variance of means from the rounding that the newest readings share."""
        return rounding_variance_of_array(self.means.levels[0].rows()[1], self._quantum)

    def noise(self, horizon_s: float, interval_s: float) -> NoiseModel | None:
        """Fit the noise at averaging times up to 1/32 of the horizon or of the past."""
        longest = max(horizon_s, self.now) / 32.0
        points = []
        for level, blocks in enumerate(self.means.levels):
            tau_s = interval_s * 2.0**level
            if level and tau_s > longest:
                break
            points.append((tau_s, *blocks.hadamard()))
        return fit_noise(points)

    def blocks(self, horizon_s: float, interval_s: float) -> FloatArray:
        """Choose blocks that lengthen with age; nudges before the oldest no longer count.

        Returns:
            Mean times (s since the first reading), mean offsets since the first reading and
            numbers of readings, shape (3, n), oldest first.
        """
        start = max(self.now - self.now * FITTED_SHARES[0], self._newest_dropped_step)
        if len(self.steps) > MOST_NUDGES:
            start = max(start, self.steps[-MOST_NUDGES - 1])
        finest = min(horizon_s / BLOCKS_PER_HORIZON, self.now / BLOCKS_PER_PAST) / interval_s
        level = max(0, math.ceil(math.log2(finest)))
        parts: list[FloatArray] = []
        end = math.inf
        most = 2 * BLOCKS_PER_OCTAVE
        for blocks in self.means.levels[level:]:
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
        chosen = np.concatenate(parts[::-1], axis=1) if parts else np.empty((3, 0))
        while self.steps and (not parts or self.steps[0] <= chosen[0, 0]):
            self._newest_dropped_step = self.steps.pop(0)
        return chosen

    def enough(self, blocks: FloatArray) -> bool:
        """Return whether `blocks` are enough for a fit with all nudges."""
        return len(blocks[0]) >= FEWEST_BLOCKS + len(self.steps)

    def forecast(
        self,
        blocks: FloatArray,
        limit: SettleLimit,
        noise: NoiseModel,
        interval_s: float,
        cycle: FittedCycle | None = None,
    ) -> ChangeForecast:
        """Forecast from the longest share of the blocks that the fit follows, else the longest.

        Each share that the fit does not follow without `cycle` is tried with it. The blocks must
        be `enough`.
        """
        longest: ChangeForecast | None = None
        for share in FITTED_SHARES:
            for beside in (None, cycle) if cycle else (None,):
                start = (1.0 - share) * self.now
                if beside is not None and beside.decay_per_s:
                    start = max(start, beside.since_s)
                recent = blocks[:, int(blocks[0].searchsorted(start)) :]
                # The column of a nudge outside the blocks would be all zeros or all ones.
                steps = tuple(
                    at for at in self.steps if recent.size and recent[0, 0] < at <= recent[0, -1]
                )
                fewest = FEWEST_BLOCKS + len(steps) + (CYCLE_BLOCKS if beside is not None else 0)
                if longest is not None and recent.shape[1] < fewest:
                    continue
                ahead = forecast_change(
                    recent,
                    self.now,
                    horizon_s=limit.horizon_s,
                    scale=limit.limit,
                    noise=noise,
                    interval_s=interval_s,
                    steps=steps,
                    cycle=beside,
                )
                if ahead.misfit < GOOD_MISFIT:
                    return ahead
                longest = longest or ahead
        assert longest is not None
        return longest
