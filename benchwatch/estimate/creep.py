"""The creep of a trimmer after a turn: where the level is going to rest.

A trimmer, its plates or its spring, goes on by a part of a turn after it, exponentially. So the
readings from the turn on are y = L + A exp(-t/tau) with noise. For each time constant of a grid
the posterior of level L and amplitude A is that of linear regression with a normal prior on A,
which is a small part of the turn; the time constants, and the answer "no creep", are weighed by
their evidence (Bishop, Pattern Recognition and Machine Learning, 3.3 and 3.5.1; from memory).

The share that crept and the time it took are learned from turn to turn.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from benchwatch.estimate.learned_creep import SHARE, Learned, expected
from benchwatch.estimate.results import Rest
from benchwatch.estimate.step import Centred, Point, centred

TAUS: Final = tuple(2.5 * 1.2**place for place in range(13))
"""Time constants weighed, in spacings of readings: up to 22."""
FOLLOWED: Final = 100
"""Readings after a turn in which a creep is followed, at most."""
MOST_SHARE: Final = 0.35
"""What comes to more than this part of a turn is another turn."""
SEEN, UNSEEN = 0.95, 0.5
"""Probability from which on a creep is told, and below which it is told no longer."""
_HARDLY: Final = 1e-6
"""A time constant with less weight than this is weighed no longer ..."""
_YOUNG: Final = 10
"""... once so many readings have been weighed."""
_DRIFTS: Final = 0.05
"""A drift of more than this part of the turn in the longest time constant hides a creep."""
_OVER: Final = 0.5
"""A creep is over when what is left of it is less than this part of u."""
_LEAST_READINGS = 3
_EACH, _EVERY = 12, 4
"""Up to so many readings all is weighed anew with each, then with one in so many."""
_NONE, _ENOUGH = 0.05, 24
"""A creep less probable than this after so many readings is looked for no longer."""
_REACH = 2.5
"""A creep explains a step as far as its amplitude may be, by so many of its sd."""


class _Sums:
    """Sums for one time constant: of e = exp(-t/tau), its square, and its product with y."""

    __slots__ = ("e", "ee", "ey", "tau_s")

    def __init__(self, tau_s: float) -> None:
        self.tau_s = tau_s
        self.e = self.ee = self.ey = 0.0

    def add(self, t: float, y: float) -> None:
        e = math.exp(-t / self.tau_s)
        self.e += e
        self.ee += e * e
        self.ey += e * y


@dataclass(frozen=True, slots=True)
class _Answer:
    """Level, amplitude and time constant of one hypothesis."""

    weight: float
    tau_s: float
    level: float
    level_variance: float
    amplitude: float
    amplitude_variance: float


class Creep:
    """Follows the level after one turn; O(1) a reading.

    Args:
        at_s: time of the first reading after the turn.
        level: its offset, or nearly so: the origin of the sums.
        size: of the turn as first seen, fractional; a series of turns counts as their root sum
            of squares.
        spacing_s: usual time between readings.
        slope: drift that was there before the turn, a second.
        slope_u: its standard uncertainty.
        learned: what earlier turns of this trimmer showed.
    """

    def __init__(
        self,
        at_s: float,
        level: float,
        size: float,
        *,
        spacing_s: float,
        slope: float = 0.0,
        slope_u: float = 0.0,
        learned: Sequence[Learned] = (),
    ) -> None:
        self.at_s = at_s
        self.size = size
        self.readings = 0
        drifts = abs(slope) * TAUS[-1] * spacing_s
        self.tells = drifts <= _DRIFTS * abs(size)
        """False where the oscillator itself drifts so much that a creep can't be told from it."""
        self._level0 = level
        self._slope, self._slope_u = slope, slope_u
        self._now_s = at_s
        self._y = self._yy = 0.0
        self._sums = [_Sums(tau * spacing_s) for tau in TAUS]
        self._prior, self._prior_u, self._happens = expected(learned)
        self._answers: list[_Answer] = []
        self._level = 0.0, 0.0
        """Level at rest and its variance, over the answers."""
        self.seen = 0.0
        """Probability that it creeps."""
        self._told = False
        """It is said where it is going to rest."""
        self._was_told = False

    def add(self, at_s: float, offset: float, sigma: float) -> None:
        """Take a reading with white noise of `sigma`."""
        t = at_s - self.at_s
        y = offset - self._level0 - self._slope * t
        self._now_s = at_s
        self.readings += 1
        self._y += y
        self._yy += y * y
        for sums in self._sums:
            sums.add(t, y)
        if self.fresh:
            self._weigh(sigma)

    def _weigh(self, sigma: float) -> None:
        """Work out the answers and their weights anew."""
        n = self.readings
        mean = self._y / n
        yy = max(self._yy - n * mean * mean, 0.0)
        prior, spread = self._prior * self.size, self._prior_u * abs(self.size)
        if not sigma or not spread or n < _LEAST_READINGS:
            self._answers = []
            self.seen = 0.0
            return
        variance = sigma * sigma
        ridge = variance / (spread * spread)
        found = []
        least = yy
        for sums in self._sums:
            e = sums.e / n
            tt = sums.ee - n * e * e
            ty = sums.ey - n * e * mean
            weight = tt + ridge
            amplitude = (ty + ridge * prior) / weight
            left = yy + ridge * prior * prior - weight * amplitude * amplitude
            least = min(least, left)
            found.append((sums.tau_s, e, weight, amplitude, left))
        variance = max(variance, least / max(n - 2, 1))
        logs = [
            math.log(self._happens / len(self._sums))
            - 0.5 * left / variance
            - 0.5 * math.log(weight / ridge)
            for _, _, weight, _, left in found
        ]
        none = math.log(1.0 - self._happens) - 0.5 * yy / variance
        best = max(*logs, none)
        total = math.exp(none - best) + math.fsum(math.exp(one - best) for one in logs)
        self.seen = 1.0 - math.exp(none - best) / total
        self._answers = [_Answer(1.0 - self.seen, math.inf, mean, variance / n, 0.0, 0.0)]
        kept, likeliest = [], logs.index(max(logs))
        levels = [mean - amplitude * e for _, e, _, amplitude, _ in found]
        for place, (log, sums, (tau_s, e, weight, amplitude, _)) in enumerate(
            zip(logs, self._sums, found, strict=True)
        ):
            share, own = math.exp(log - best) / total, variance / weight
            if share < _HARDLY * self.seen and n > _YOUNG and abs(place - likeliest) > 1:
                continue
            kept.append(sums)
            # The true time constant lies anywhere between those of the grid.
            near = levels[max(place - 1, 0) : place + 2]
            cell = (near[-1] - near[0]) / max(len(near) - 1, 1)
            level_variance = variance / n + e * e * own + cell * cell / 12.0
            self._answers.append(
                _Answer(share, tau_s, levels[place], level_variance, amplitude, own)
            )
        self._sums = kept
        level = math.fsum([one.weight * one.level for one in self._answers])
        squares = [
            one.weight * (one.level_variance + (one.level - level) ** 2) for one in self._answers
        ]
        self._level = level, math.fsum(squares)

    def resting(self, wander: float = 0.0) -> tuple[float, float] | None:
        """Return where it rests, and its standard uncertainty; None while nothing tells it.

        Args:
            wander: variance of a mean of the readings beyond white noise.
        """
        if not (self._answers and self.tells):
            return None
        level, variance = self._level
        t = self._now_s - self.at_s
        variance += wander + (0.5 * t * self._slope_u) ** 2
        return self._level0 + self._slope * t + level, math.sqrt(variance)

    @property
    def fresh(self) -> bool:
        """Tell whether the last reading has changed what is known."""
        return self.readings <= _EACH or self.readings % _EVERY == 0

    @property
    def over(self) -> bool:
        """Tell whether nothing more is to be learned: it has come to rest, or never crept."""
        if self.readings >= FOLLOWED:
            return True
        if self.readings < _ENOUGH or self._told:
            return False
        return self.seen < _NONE or self._was_told

    def rest(self, wander: float = 0.0) -> Rest | None:
        """Return where it is going to rest and in how long; None when it is there, or is still."""
        resting = self.resting(wander)
        if resting is None or self.seen < (UNSEEN if self._told else SEEN):
            self._told = False
            return None
        offset, u = resting
        left, tau_s = self._left()
        self._told = left > (_OVER * u if self._told else u)
        self._was_told = self._was_told or self._told
        if not self._told:
            return None
        in_s, span_s = tau_s * math.log(left / (_OVER * u)), self._now_s - self.at_s
        return Rest(offset, u, in_s, self.readings, span_s)

    def _left(self) -> tuple[float, float]:
        """How far it still has to creep, and the time constant."""
        t = self._now_s - self.at_s
        creeping = self._answers[1:]
        weight = math.fsum(one.weight for one in creeping)
        left = math.fsum(one.weight * one.amplitude * math.exp(-t / one.tau_s) for one in creeping)
        tau_s = math.fsum(one.weight * one.tau_s for one in creeping) / weight
        return abs(left) / weight, tau_s

    def learned(self) -> Learned | None:
        """Return what this turn tells of the next one; None when it was too short to tell."""
        if not (self._answers and self.tells):
            return None
        amplitude = math.fsum(one.weight * one.amplitude for one in self._answers)
        variance = math.fsum(
            one.weight * (one.amplitude_variance + (one.amplitude - amplitude) ** 2)
            for one in self._answers
        )
        whole = self.size - amplitude
        share, u = -amplitude / whole, math.sqrt(variance) / abs(whole)
        if u > max(0.5 * abs(share), 0.02):
            return None
        return Learned(share, u, self._left()[1])

    def steps_by(
        self, before: Sequence[Point], after: Sequence[Point], sigma: float, excess: float
    ) -> tuple[float, float]:
        """Return the step between two stretches that no creep of this turn explains, and its u.

        For each time constant the step is that of two curves with one creep in common, an
        analysis of covariance with exp(-t/tau) as the covariate, and an amplitude that explains as
        much as it may; the least sure step is returned.

        Args:
            before: readings since the turn, oldest first, one at least.
            after: readings from the step on, one at least.
            sigma: sd of single readings, fractional.
            excess: variance beyond white noise of block means as long as the shorter stretch.
        """
        spread = SHARE * self.size
        ridge = sigma * sigma / (spread * spread)
        most = MOST_SHARE * abs(self.size)
        least = (math.inf, 1.0)
        for sums in self._sums:
            first, second = self._curved(before, sums.tau_s), self._curved(after, sums.tau_s)
            weight = first.tt + second.tt + ridge
            ty = first.ty + second.ty
            apart, rise = second.t - first.t, second.y - first.y
            reach = _REACH * sigma / math.sqrt(weight)
            low, high = max(ty / weight - reach, -most), min(ty / weight + reach, most)
            amplitude = min(max(rise / apart if apart else 0.0, low), high)
            variance = 1.0 / len(before) + 1.0 / len(after)
            u = math.sqrt(variance * (sigma * sigma + min(len(before), len(after)) * excess))
            size = rise - amplitude * apart
            if abs(size) * least[1] < abs(least[0]) * u:
                least = size, u
        return least

    def _curved(self, points: Sequence[Point], tau_s: float) -> Centred:
        """Sums over readings, with exp(-t/tau) in place of their time."""
        return centred(
            [
                (math.exp((self.at_s - at_s) / tau_s), y - self._slope * (at_s - self.at_s))
                for at_s, y in points
            ]
        )
