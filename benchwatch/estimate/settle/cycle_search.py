"""Search for a cycle of the offset, one octave of periods at a time.

An octave is searched in means of blocks that are an eighth of its shortest period or shorter. A
level, a line and slow exponentials are fitted beside the cycle, so that a warm-up is not taken for
a cycle. The best period is refined together with the cycle's harmonics, and the swing is that of
the fitted curve.

Least-squares periodogram with free trend columns: Lomb (1976), Astrophysics and Space Science 39,
447-462; with harmonics and the trend fitted beside them, as in Palmer (2009), Astrophysical
Journal 695, 496-502. Both from memory.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.block_means import OctaveMeans
from benchwatch.estimate.settle.fitted_cycle import FittedCycle

BLOCKS_SEARCHED: Final = 96
"""Newest block means in which one octave of periods is searched."""
BLOCKS_A_PERIOD: Final = 8
"""Fewest block means in the shortest period of an octave, where the readings are fast enough."""
SHORTEST_PERIOD_INTERVALS: Final = 4.0
"""Intervals between readings in the shortest period that is searched."""
LONGEST_PERIOD_HORIZONS: Final = 4.0
"""Horizons in the longest period that is searched."""
SEARCH_EVERY_READINGS: Final = 32
"""Readings between two searches, each of one octave of periods; just before the verdict is given,
all octaves are searched."""
LEAST_PERIODS_SEEN: Final = 1.0
"""Periods that must have been seen for a cycle to be searched."""
TRIED_DAMPINGS: Final = np.array([0.0, 2.0, 6.0])
"""Decays of the swing that are tried, in e-folds a span: an oven's control loop may ring."""
STEADY_U: Final = 3.0
"""A decay of less than so many of its standard uncertainties counts as none."""
FEWEST_BLOCKS: Final = 20
"""Fewest block means in a fit."""
FAR_LIMITS: Final = 50.0
"""Distance from the newest offset, in limits, beyond which older blocks show only the warm-up."""
TIME_CONSTANT_SPANS: Final = 2.0 ** -np.arange(0.0, 7.0)
"""Time constants of the free exponentials, in spans."""
LEAST_POWER: Final = 30.0
"""Least fall of chi-square over residual variance for a cycle to count. White noise reaches this
at one frequency in e^15; flicker noise more often at low frequencies."""
HARMONICS: Final = 5
REFINEMENTS: Final = 4
PHASE_POINTS: Final = 48
"""Points of a period at which the fitted curve is evaluated."""


class CycleSearch:
    """Searches one octave of periods at each call; bounded work, about half a millisecond."""

    def __init__(self) -> None:
        self._octaves: dict[int, FittedCycle] = {}
        self._next = 0

    def clear(self) -> None:
        """Discard all cycles: the next readings may be of another oscillator."""
        self._octaves.clear()
        self._next = 0

    @property
    def cycle(self) -> FittedCycle | None:
        """The cycle found with the largest power; None without one."""
        return max(self._octaves.values(), key=lambda one: one.power, default=None)

    def search_all(
        self,
        means: OctaveMeans,
        since: float,
        interval_s: float,
        *,
        horizon_s: float,
        limit: float,
    ) -> None:
        """Search all octaves; see `search`."""
        self._next = 0
        while self.search(means, since, interval_s, horizon_s=horizon_s, limit=limit):
            pass

    def search(
        self,
        means: OctaveMeans,
        since: float,
        interval_s: float,
        *,
        horizon_s: float,
        limit: float,
    ) -> bool:
        """Search the next octave of periods; False after the last, and the first is next.

        A cycle found in an octave is kept while too few blocks follow the last nudge.

        Args:
            means: block means of the readings so far.
            since: time at which the trimmer had come to rest after the last nudge, s; earlier
                blocks are left out, for nudges look like a cycle.
            interval_s: from one reading to the next.
            horizon_s: of the verdict; the longest period is `LONGEST_PERIOD_HORIZONS` horizons.
            limit: of the verdict, fractional.
        """
        octave = self._next
        shortest_s = SHORTEST_PERIOD_INTERVALS * interval_s * 2.0**octave
        level = max(octave - round(math.log2(BLOCKS_A_PERIOD / SHORTEST_PERIOD_INTERVALS)), 0)
        if level >= len(means.levels) or shortest_s > LONGEST_PERIOD_HORIZONS * horizon_s:
            self._next = 0
            return False
        self._next += 1
        rows = means.levels[level].rows()[:3, -BLOCKS_SEARCHED:]
        rows = rows[:, int(rows[0].searchsorted(since)) :]
        if rows.shape[1] >= FEWEST_BLOCKS:
            found = find_cycle(rows, shortest_s, limit, interval_s)
            if found is not None:
                self._octaves[octave] = found
            elif octave in self._octaves:
                del self._octaves[octave]
        return True


def find_cycle(
    blocks: FloatArray, shortest_s: float, limit: float, interval_s: float
) -> FittedCycle | None:
    """Find the strongest cycle with a period from `shortest_s` to twice as long.

    Args:
        blocks: rows of mean times (s), means (fractional) and numbers of readings, oldest first,
            shape (3, n).
        shortest_s: shortest period, s.
        limit: a change that matters, fractional.
        interval_s: from one reading to the next.

    Returns:
        None when there are too few blocks, or no cycle stands out from the residuals.
    """
    blocks = _blocks_after_far_ones(blocks, limit)
    if blocks.shape[1] < FEWEST_BLOCKS:
        return None
    t = blocks[0]
    span_s = float(t[-1] - t[0]) * len(t) / (len(t) - 1)
    most = min(span_s / shortest_s, len(t) / 3.0)
    least = max(0.5 * span_s / shortest_s, LEAST_PERIODS_SEEN)
    if most < least:
        return None
    weights = np.sqrt(blocks[2])
    ago = (t - t[-1]) / span_s
    width = blocks[2] * (interval_s / span_s)
    columns = [
        np.ones_like(ago),
        ago + 0.5,
        *np.exp(-np.multiply.outer(1.0 / TIME_CONSTANT_SPANS, ago + 1.0)),
    ]
    trend = _orthonormal(np.array(columns).T * weights[:, None])
    offset = (blocks[1] - blocks[1, -1]) * weights
    detrended = _DetrendedBlocks(
        ago=ago,
        width=width,
        weights=weights,
        trend=trend,
        residuals=offset - trend @ (trend.T @ offset),
    )
    cycles = np.linspace(least, most, max(2, math.ceil(2.0 * (most - least)) + 1))
    gain = detrended.gain(cycles)
    damped, best = np.unravel_index(int(np.argmax(gain)), gain.shape)
    power = float(detrended.residuals @ detrended.residuals)
    variance = max(power - float(gain.max()), 0.0) / (len(t) - trend.shape[1] - 4)
    if gain.max() < LEAST_POWER * max(variance, (1e-6 * limit) ** 2):
        return None
    if detrended.gain_of_step() > gain.max():
        return None
    fit = detrended.refined(float(cycles[best]), float(TRIED_DAMPINGS[damped]))
    if fit is not None and fit.damping < STEADY_U * fit.damping_u:
        fit = detrended.refined(fit.cycles, None)
    if fit is None or not 0.9 * least <= fit.cycles <= 1.1 * most:
        return None
    return fit.cycle(float(t[0]), float(t[-1]), span_s)


def _blocks_after_far_ones(blocks: FloatArray, limit: float) -> FloatArray:
    """Return the blocks after the last one that lay far from the newest."""
    far = np.flatnonzero(np.abs(blocks[1] - blocks[1, -1]) > FAR_LIMITS * limit)
    return blocks[:, far[-1] + 1 :] if far.size else blocks


def _orthonormal(columns: FloatArray) -> FloatArray:
    """Return orthonormal columns that span the same space."""
    scaled = columns / np.sqrt((columns * columns).sum(0))
    vectors, sizes, _ = np.linalg.svd(scaled, full_matrices=False)
    independent: FloatArray = vectors[:, sizes > 1e-7 * sizes[0]]
    return independent


@dataclass(frozen=True, slots=True, kw_only=True)
class _DetrendedBlocks:
    """Block means of one span, which is the unit of time here, with the trend taken out."""

    ago: FloatArray
    """Times before the newest block, 0 and less."""
    width: FloatArray
    weights: FloatArray
    """Roots of the numbers of readings."""
    trend: FloatArray
    """Orthonormal columns, weighted."""
    residuals: FloatArray
    """Offsets without the trend, weighted."""

    def _without_trend(self, columns: FloatArray) -> FloatArray:
        weighted = columns * self.weights[:, None]
        rest: FloatArray = weighted - self.trend @ (self.trend.T @ weighted)
        return rest

    def gain(self, cycles: FloatArray) -> FloatArray:
        """Return the fall of chi-square, (dampings, cycles); `cycles` a span, (n,)."""
        angle = 2.0 * np.pi * np.multiply.outer(self.ago, cycles)
        steady = np.concatenate([np.cos(angle), np.sin(angle)], axis=1)
        rows = []
        for damping in TRIED_DAMPINGS.tolist():
            swell = np.exp(-damping * self.ago)[:, None] if damping else 1.0
            columns = self._without_trend(steady * swell)
            cosine, sine = columns[:, : len(cycles)], columns[:, len(cycles) :]
            cc, ss, cs = (
                (a * b).sum(0) for a, b in ((cosine, cosine), (sine, sine), (cosine, sine))
            )
            c, s = self.residuals @ cosine, self.residuals @ sine
            determinant = np.maximum(cc * ss - cs * cs, 1e-6 * cc * ss)
            rows.append((c * c * ss - 2.0 * c * s * cs + s * s * cc) / determinant)
        return np.array(rows)

    def gain_of_step(self) -> float:
        """Return the fall of chi-square by the best single step, as of an unconfirmed nudge."""
        later = self._without_trend(np.tri(len(self.ago), k=-1)[:, 1:-2])
        power = np.maximum((later * later).sum(0), 1e-9)
        return float(((self.residuals @ later) ** 2 / power).max())

    def refined(self, cycles: float, damping: float | None) -> "_CycleInSpans | None":
        """Refine a cycle by Gauss-Newton, with as many harmonics as the blocks can show.

        Args:
            cycles: first value of the cycles a span.
            damping: first value of the decay, in e-folds a span; None for a constant swing.

        Returns:
            None when the iteration leaves the neighbourhood of the first value.
        """
        harmonics = int(min(HARMONICS, max(1, len(self.ago) / (2.5 * cycles))))
        order = np.arange(1, harmonics + 1)
        first, decay, solved = cycles, damping or 0.0, np.empty(0)
        for turn in range(REFINEMENTS):
            angle = 2.0 * np.pi * cycles * np.multiply.outer(self.ago, order)
            # The mean of a cosine over a block is its value at the middle times sin(h)/h.
            swell = np.exp(-decay * self.ago)[:, None]
            swell = swell * np.sinc(cycles * np.multiply.outer(self.width, order))
            cosine, sine = np.cos(angle) * swell, np.sin(angle) * swell
            columns = [cosine, sine]
            if turn:
                a, b = solved[:harmonics], solved[harmonics : 2 * harmonics]
                quicker = (2.0 * np.pi * order * (cosine * b - sine * a)).sum(1) * self.ago
                columns.append(quicker[:, None])
                if damping is not None:
                    columns.append((-(cosine * a + sine * b).sum(1) * self.ago)[:, None])
            scaled = self._without_trend(np.concatenate(columns, axis=1))
            scale = 1.0 / np.sqrt((scaled * scaled).sum(0) + 1e-300)
            scaled *= scale
            gram = scaled.T @ scaled
            gram.flat[:: len(gram) + 1] += 1e-9
            inverse = np.linalg.inv(gram)
            solved = scale * (inverse @ (scaled.T @ self.residuals))
            residual = self.residuals - scaled @ (solved / scale)
            if turn:
                moves = solved[2 * harmonics :].tolist()
                cycles += min(max(moves[0], -0.2), 0.2)
                decay += min(max(moves[1], -1.0), 1.0) if damping is not None else 0.0
        if abs(cycles - first) > 0.5 or cycles <= 0.0:
            return None
        freedom = max(len(self.ago) - self.trend.shape[1] - len(solved), 1)
        variance = float(residual @ residual) / freedom
        covariance = variance * inverse * np.multiply.outer(scale, scale)
        phase = 2.0 * np.pi * np.multiply.outer(np.arange(PHASE_POINTS) / PHASE_POINTS, order)
        curve = np.concatenate([np.cos(phase), np.sin(phase)], axis=1)
        size = 2 * harmonics
        height = curve @ solved[:size]
        apart = curve[int(np.argmax(height))] - curve[int(np.argmin(height))]
        u = np.sqrt(np.maximum(covariance.diagonal()[size:], 0.0)).tolist()
        power = float(self.residuals @ self.residuals) - float(residual @ residual)
        return _CycleInSpans(
            cycles=cycles,
            cycles_u=u[0],
            damping=decay,
            damping_u=u[1] if damping is not None else 0.0,
            swing=float(np.ptp(height)),
            swing_u=math.sqrt(max(float(apart @ covariance[:size, :size] @ apart), 0.0)),
            power=power / max(variance, 1e-300),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _CycleInSpans:
    """A fitted cycle with the span as the unit of time."""

    cycles: float
    cycles_u: float
    damping: float
    damping_u: float
    swing: float
    swing_u: float
    power: float

    def cycle(self, since_s: float, until_s: float, span_s: float) -> FittedCycle:
        """Return the cycle with times in seconds."""
        period_s = span_s / self.cycles
        return FittedCycle(
            period_s=period_s,
            period_u=period_s / self.cycles * self.cycles_u,
            swing=self.swing,
            swing_u=self.swing_u,
            decay_per_s=self.damping / span_s,
            seen=self.cycles,
            power=self.power,
            since_s=since_s,
            until_s=until_s,
        )
