"""A cycle of the offset, such as a thermostat's: its period and its swing from peak to peak.

Periods are looked for an octave at a time, in means of readings that are an eighth of the
shortest period or shorter. A level, a line and slower exponentials are free beside the cycle, so
that a warm-up is none. The best period is
refined together with the cycle's harmonics, and the swing is that of the fitted curve.

Least-squares periodogram with free trend columns: Lomb (1976), Astrophysics and Space Science 39,
447-462; with harmonics and the trend fitted beside them, as in Palmer (2009), Astrophysical
Journal 695, 496-502. Both from memory.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.results import OffsetCycle

SEEN: Final = 1.0
"""Periods that must have been seen for a cycle to be looked for."""
SEEN_TO_SHOW: Final = 2.5
"""And for it to be told: with fewer it may yet prove to be a single excursion."""
DAMPING: Final = np.array([0.0, 2.0, 6.0])
"""Tried decay of the swing over the span, in e-folds: an oven's control loop may ring."""
STEADY: Final = 3.0
"""Standard uncertainties from zero within which a decay is none."""
KNOWN: Final = 5.0
"""Standard uncertainties of its swing from which on one that dies away accounts for what moved."""
FEWEST: Final = 20
"""Block means that a fit takes."""
FAR: Final = 50.0
"""Limits from the newest offset: a past further away tells of the warm-up only."""
DECAYS: Final = 2.0 ** -np.arange(0.0, 7.0)
"""Time constants of the free exponentials, in spans."""
SURE: Final = 30.0
"""Fall of chi-square over residual variance, from which on a cycle is believed. White noise
reaches it once in e^15 frequencies; flicker noise has more at low ones."""
POWER_TO_SHOW: Final = 120.0
"""The same for it to be told: flicker noise comes up with weak ones ..."""
MANY: Final = 6.0
"""... and its power goes with the period: more is asked of one seen fewer times than this."""
SMALLEST_SHOWN: Final = 0.05
"""Swing of those told, in limits."""
HARMONICS: Final = 5
TURNS: Final = 4
"""Of the refinement."""
PHASES: Final = 48
"""Points of a period at which the fitted curve is looked at."""


@dataclass(frozen=True, slots=True)
class FittedCycle:
    """Period in seconds, swing from peak to peak now (fractional), each with its standard u."""

    period_s: float
    period_u: float
    swing: float
    swing_u: float
    decay_per_s: float
    """The swing falls as e^(-decay·t); 0 where none is sure."""
    seen: float
    """Periods that it was found in."""
    power: float
    """Fall of chi-square over the residual variance."""
    since_s: float
    until_s: float
    """Times of the first and the last reading that it was found in."""

    @property
    def sure(self) -> bool:
        """Whether enough periods were seen to call it a cycle and not a single excursion."""
        return self.seen >= SEEN_TO_SHOW

    def shown(self, limit: float) -> OffsetCycle | None:
        """Return what people are told of it; None while it is unsure, dies away or is too small.

        Args:
            limit: of the settle verdict, fractional.
        """
        power = POWER_TO_SHOW * max(1.0, MANY / self.seen)
        small = self.swing < SMALLEST_SHOWN * limit or self.power < power
        if small or self.decay_per_s or not self.sure:
            return None
        return OffsetCycle(self.period_s, self.period_u, self.swing, self.swing_u)

    def steepest(self) -> float:
        """Drift where it passes through its middle, fractional per second, as of a sine."""
        return math.pi * self.swing / self.period_s

    def large(self, limit: float) -> tuple[float, float]:
        """From when to when a swing that surely dies away was above `limit`; from inf if never."""
        known = self.decay_per_s > 0.0 and self.sure and self.swing > KNOWN * self.swing_u
        if not known:
            return math.inf, -math.inf
        # The swing is that at `until_s`, and above the limit so long before it.
        before_s = math.log(limit / self.swing) / self.decay_per_s
        return self.since_s, self.until_s - max(before_s, 0.0)

    def within(self, span_s: float, now_s: float) -> tuple[float, float]:
        """Largest change by it in `span_s` seconds from `now_s` on, and its standard u."""
        share = math.sin(math.pi * min(span_s / self.period_s, 0.5))
        share *= math.exp(-self.decay_per_s * max(now_s - self.until_s, 0.0))
        return share * self.swing, share * self.swing_u


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
        None when there are too few blocks or none stands out from what is left by the fit.
    """
    blocks = _near(blocks, limit)
    if blocks.shape[1] < FEWEST:
        return None
    t = blocks[0]
    span_s = float(t[-1] - t[0]) * len(t) / (len(t) - 1)
    most = min(span_s / shortest_s, len(t) / 3.0)
    least = max(0.5 * span_s / shortest_s, SEEN)
    if most < least:
        return None
    weights = np.sqrt(blocks[2])
    ago = (t - t[-1]) / span_s
    width = blocks[2] * (interval_s / span_s)
    columns = [np.ones_like(ago), ago + 0.5, *np.exp(-np.multiply.outer(1.0 / DECAYS, ago + 1.0))]
    basis = _independent(np.array(columns).T * weights[:, None])
    offset = (blocks[1] - blocks[1, -1]) * weights
    past = _Past(ago, width, weights, basis, offset - basis @ (basis.T @ offset))
    cycles = np.linspace(least, most, max(2, math.ceil(2.0 * (most - least)) + 1))
    gain = past.gain(cycles)
    damped, best = np.unravel_index(int(np.argmax(gain)), gain.shape)
    power = float(past.left @ past.left)
    variance = max(power - float(gain.max()), 0.0) / (len(t) - basis.shape[1] - 4)
    if gain.max() < SURE * max(variance, (1e-6 * limit) ** 2):
        return None
    if past.gain_of_step() > gain.max():
        return None
    fit = past.refined(float(cycles[best]), float(DAMPING[damped]))
    if fit is not None and fit.damping < STEADY * fit.damping_u:
        fit = past.refined(fit.cycles, None)
    if fit is None or not 0.9 * least <= fit.cycles <= 1.1 * most:
        return None
    return fit.cycle(float(t[0]), float(t[-1]), span_s)


def _near(blocks: FloatArray, limit: float) -> FloatArray:
    """The newest blocks since which the offset has not been far away."""
    far = np.flatnonzero(np.abs(blocks[1] - blocks[1, -1]) > FAR * limit)
    return blocks[:, far[-1] + 1 :] if far.size else blocks


def _independent(columns: FloatArray) -> FloatArray:
    """An orthonormal basis of what the columns can make."""
    scaled = columns / np.sqrt((columns * columns).sum(0))
    vectors, sizes, _ = np.linalg.svd(scaled, full_matrices=False)
    basis: FloatArray = vectors[:, sizes > 1e-7 * sizes[0]]
    return basis


@dataclass(frozen=True, slots=True)
class _Past:
    """Block means of one span, which is the unit of time here, with the trend taken out."""

    ago: FloatArray
    """Times before the newest block, 0 and less."""
    width: FloatArray
    weights: FloatArray
    basis: FloatArray
    left: FloatArray

    def _without_trend(self, columns: FloatArray) -> FloatArray:
        weighted = columns * self.weights[:, None]
        left: FloatArray = weighted - self.basis @ (self.basis.T @ weighted)
        return left

    def gain(self, cycles: FloatArray) -> FloatArray:
        """Fall of chi-square by a cycle of each damping and each number a span, one row each."""
        angle = 2.0 * np.pi * np.multiply.outer(self.ago, cycles)
        steady = np.concatenate([np.cos(angle), np.sin(angle)], axis=1)
        rows = []
        for damping in DAMPING.tolist():
            swell = np.exp(-damping * self.ago)[:, None] if damping else 1.0
            columns = self._without_trend(steady * swell)
            cosine, sine = columns[:, : len(cycles)], columns[:, len(cycles) :]
            cc, ss, cs = (
                (a * b).sum(0) for a, b in ((cosine, cosine), (sine, sine), (cosine, sine))
            )
            c, s = self.left @ cosine, self.left @ sine
            determinant = np.maximum(cc * ss - cs * cs, 1e-6 * cc * ss)
            rows.append((c * c * ss - 2.0 * c * s * cs + s * s * cc) / determinant)
        return np.array(rows)

    def gain_of_step(self) -> float:
        """Fall of chi-square by one step where it serves best: a nudge that nobody confirmed."""
        later = self._without_trend(np.tri(len(self.ago), k=-1)[:, 1:-2])
        power = np.maximum((later * later).sum(0), 1e-9)
        return float(((self.left @ later) ** 2 / power).max())

    def refined(self, cycles: float, damping: float | None) -> "_Fit | None":
        """Gauss-Newton, with as many harmonics as the blocks can show.

        Args:
            cycles: a span, to begin with.
            damping: to begin with, in e-folds a span; None for a cycle of steady swing.
        """
        harmonics = int(min(HARMONICS, max(1, len(self.ago) / (2.5 * cycles))))
        order = np.arange(1, harmonics + 1)
        begun, decay, solved = cycles, damping or 0.0, np.empty(0)
        for turn in range(TURNS):
            angle = 2.0 * np.pi * cycles * np.multiply.outer(self.ago, order)
            # The mean of a cosine over a block is that at its middle times sin(h)/h.
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
            solved = scale * (inverse @ (scaled.T @ self.left))
            residual = self.left - scaled @ (solved / scale)
            if turn:
                moves = solved[2 * harmonics :].tolist()
                cycles += min(max(moves[0], -0.2), 0.2)
                decay += min(max(moves[1], -1.0), 1.0) if damping is not None else 0.0
        if abs(cycles - begun) > 0.5 or cycles <= 0.0:
            return None
        freedom = max(len(self.ago) - self.basis.shape[1] - len(solved), 1)
        variance = float(residual @ residual) / freedom
        covariance = variance * inverse * np.multiply.outer(scale, scale)
        phase = 2.0 * np.pi * np.multiply.outer(np.arange(PHASES) / PHASES, order)
        curve = np.concatenate([np.cos(phase), np.sin(phase)], axis=1)
        size = 2 * harmonics
        height = curve @ solved[:size]
        apart = curve[int(np.argmax(height))] - curve[int(np.argmin(height))]
        u = np.sqrt(np.maximum(covariance.diagonal()[size:], 0.0)).tolist()
        return _Fit(
            cycles, u[0], decay, u[1] if damping is not None else 0.0,
            float(np.ptp(height)),
            math.sqrt(max(float(apart @ covariance[:size, :size] @ apart), 0.0)),
            (float(self.left @ self.left) - float(residual @ residual)) / max(variance, 1e-300),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Fit:
    """A cycle in units of the span."""

    cycles: float
    cycles_u: float
    damping: float
    damping_u: float
    swing: float
    swing_u: float
    power: float

    def cycle(self, since_s: float, until_s: float, span_s: float) -> FittedCycle:
        """Return it in seconds."""
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
