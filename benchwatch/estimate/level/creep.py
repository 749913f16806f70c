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
from typing import Final

from benchwatch.estimate.level.learned_creep import SHARE, LearnedCreep, expected
from benchwatch.estimate.regression import CentredSums, Point, centred
from benchwatch.estimate.results import Rest

TAUS: Final = tuple(2.5 * 1.44**place for place in range(7))
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
_EACH, _EVERY = 8, 4
"""Up to so many readings all is weighed anew with each, then with one in so many."""
_NONE, _ENOUGH = 0.2, 24
"""A creep less probable than this after so many readings is looked for no longer."""
_BEYOND: Final = 1.001
"""A little more than 1, for rounding of floats."""
_REACH = 2.5
"""A creep explains a step as far as its amplitude may be, by so many of its sd."""


class _Sums:
    """Sums for one time constant: of e = exp(-t/tau), its square, and its product with y."""

    __slots__ = ("e", "ee", "ey", "tau_s")

    def __init__(self, tau_s: float) -> None:
        self.tau_s = tau_s
        self.e = self.ee = self.ey = 0.0


_Answer = tuple[float, float, float, float, float, float]
"""One hypothesis: weight, time constant, level and its variance, amplitude and its variance."""


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
        learned: Sequence[LearnedCreep] = (),
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
        exp = math.exp
        for sums in self._sums:
            e = exp(-t / sums.tau_s)
            sums.e += e
            sums.ee += e * e
            sums.ey += e * y
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
        found, lefts = [], []
        known = ridge * prior
        before = yy + known * prior
        for sums in self._sums:
            e = sums.e / n
            weight = sums.ee - n * e * e + ridge
            amplitude = (sums.ey - n * e * mean + known) / weight
            lefts.append(before - weight * amplitude * amplitude)
            found.append((e, weight, amplitude))
        variance = max(variance, min(yy, *lefts) / max(n - 2, 1))
        log = math.log
        even = log(self._happens / len(lefts))
        logs = [
            even - 0.5 * left / variance - 0.5 * log(weight / ridge)
            for left, (_, weight, _) in zip(lefts, found, strict=True)
        ]
        none = log(1.0 - self._happens) - 0.5 * yy / variance
        likeliest = max(logs)
        best = max(likeliest, none)
        shares = [math.exp(one - best) for one in logs]
        still = math.exp(none - best)
        total = still + math.fsum(shares)
        self.seen = 1.0 - still / total
        of_mean = variance / n
        answers = [(1.0 - self.seen, math.inf, mean, of_mean, 0.0, 0.0)]
        kept, middle, last = [], logs.index(likeliest), len(logs) - 1
        hardly = _HARDLY * self.seen if n > _YOUNG else 0.0
        levels = [mean - amplitude * e for e, _, amplitude in found]
        padded = [levels[0], *levels, levels[-1]]
        for place, (sums, (e, weight, amplitude)) in enumerate(zip(self._sums, found, strict=True)):
            share, own = shares[place] / total, variance / weight
            if share < hardly and abs(place - middle) > 1:
                continue
            kept.append(sums)
            # The true time constant lies anywhere between those of the grid.
            cell = padded[place + 2] - padded[place]
            if 0 < place < last:
                cell /= 2.0
            level_variance = of_mean + e * e * own + cell * cell / 12.0
            answers.append((share, sums.tau_s, levels[place], level_variance, amplitude, own))
        self._answers = answers
        self._sums = kept
        level = math.fsum([weight * level for weight, _, level, *_ in answers])
        squares = [
            weight * (variance + (own - level) ** 2) for weight, _, own, variance, *_ in answers
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
        weight = math.fsum([one[0] for one in creeping])
        left = math.fsum(
            [share * size * math.exp(-t / tau_s) for share, tau_s, _, _, size, _ in creeping]
        )
        tau_s = math.fsum([one[0] * one[1] for one in creeping]) / weight
        return abs(left) / weight, tau_s

    def learned(self) -> LearnedCreep | None:
        """Return what this turn tells of the next one; None when it was too short to tell."""
        if not (self._answers and self.tells):
            return None
        amplitude = math.fsum(weight * size for weight, _, _, _, size, _ in self._answers)
        variance = math.fsum(
            weight * (own + (size - amplitude) ** 2) for weight, _, _, _, size, own in self._answers
        )
        whole = self.size - amplitude
        share, u = -amplitude / whole, math.sqrt(variance) / abs(whole)
        if u > max(0.5 * abs(share), 0.02):
            return None
        return LearnedCreep(share, u, self._left()[1])

    def explains(
        self,
        before: Sequence[Point],
        after: Sequence[Point],
        sigma: float,
        excess: float,
        sure: float,
    ) -> bool:
        """Tell whether the step of `steps_by` is no more than `sure` of its u."""
        first, second = self._undrifted(before), self._undrifted(after)
        rise = math.fsum(y for _, y in second) / len(second)
        rise -= math.fsum(y for _, y in first) / len(first)
        # No creep takes more off a step than its amplitude: beyond that none need be tried.
        if abs(rise) > _BEYOND * (
            MOST_SHARE * abs(self.size)
            + sure * self._step_u(len(before), len(after), sigma, excess)
        ):
            return False
        size, u = self.steps_by(before, after, sigma, excess)
        return abs(size) <= sure * u

    @staticmethod
    def _step_u(before: int, after: int, sigma: float, excess: float) -> float:
        """Standard uncertainty of a step between means of so many readings."""
        variance = 1.0 / before + 1.0 / after
        return math.sqrt(variance * (sigma * sigma + min(before, after) * excess))

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
        u = self._step_u(len(before), len(after), sigma, excess)
        older, newer = self._undrifted(before), self._undrifted(after)
        for sums in self._sums:
            first, second = _curved(older, sums.tau_s), _curved(newer, sums.tau_s)
            weight = first.tt + second.tt + ridge
            ty = first.ty + second.ty
            apart, rise = second.t - first.t, second.y - first.y
            reach = _REACH * sigma / math.sqrt(weight)
            low, high = max(ty / weight - reach, -most), min(ty / weight + reach, most)
            amplitude = min(max(rise / apart if apart else 0.0, low), high)
            size = rise - amplitude * apart
            if abs(size) * least[1] < abs(least[0]) * u:
                least = size, u
        return least

    def _undrifted(self, points: Sequence[Point]) -> list[Point]:
        """Readings with minus the time since the turn, and without the drift."""
        return [(self.at_s - at_s, y - self._slope * (at_s - self.at_s)) for at_s, y in points]


def _curved(points: Sequence[Point], tau_s: float) -> CentredSums:
    """Sums over readings, with exp(-t/tau) in place of their time."""
    exp = math.exp
    return centred([(exp(ago / tau_s), y) for ago, y in points])
