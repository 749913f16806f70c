"""The fit of a creep to the readings after a turn: its level at rest, amplitude and time constant.

The readings are y = L + A exp(-t/tau) with noise. For each time constant of a grid the posterior
of level L and amplitude A is that of linear regression with a normal prior on A; the time
constants, and the answer "no creep", are weighed by their evidence (Bishop, Pattern Recognition
and Machine Learning, 3.3 and 3.5.1; from memory).
"""

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

_FEWEST_READINGS = 3
_DROPPED_WEIGHT: Final = 1e-6
"""A time constant with less weight than this is dropped ..."""
_DROP_AFTER_READINGS: Final = 10
"""... once so many readings have been weighed."""


class CreepPrior(NamedTuple):
    """Prior of a creep, before its readings."""

    amplitude: float
    """Mean of A; as a fraction of the turn, or in the unit of the readings."""
    sd: float
    """sd of A; 0 where nothing creeps."""
    probability: float
    """Probability that there is a creep at all."""


class _Sums:
    """Sums for one time constant: of e = exp(-t/tau), its square, and its product with y."""

    __slots__ = ("e", "ee", "ey", "tau_s")

    def __init__(self, tau_s: float) -> None:
        self.tau_s = tau_s
        self.e = self.ee = self.ey = 0.0


class _Fit(NamedTuple):
    """The regression for one time constant."""

    e: float
    """Mean of exp(-t/tau)."""
    weight: float
    """Precision of the amplitude, times the variance of a reading."""
    amplitude: float


class CreepAnswer(NamedTuple):
    """One hypothesis: a creep of one time constant, or none."""

    probability: float
    tau_s: float
    level: float
    """Level at rest, relative to the origin of the sums."""
    level_variance: float
    amplitude: float
    amplitude_variance: float


class CreepPosterior(NamedTuple):
    """All hypotheses together."""

    creeps: float = 0.0
    """Probability that there is a creep."""
    level: float = 0.0
    """Level at rest, relative to the origin of the sums."""
    variance: float = 0.0
    """Of `level`."""
    answers: Sequence[CreepAnswer] = ()
    """The answer "no creep" first; empty while there are too few readings."""


class CreepFit:
    """The fit by running sums over the readings after a turn; O(1) a reading.

    Args:
        taus_s: time constants to weigh.
        prior: amplitude in the unit of the readings.
    """

    def __init__(self, taus_s: Sequence[float], prior: CreepPrior) -> None:
        self.readings = 0
        self._y = self._yy = 0.0
        self._sums = [_Sums(tau_s) for tau_s in taus_s]
        self._prior = prior
        self.posterior = CreepPosterior()
        """Result of the last `weigh`."""

    @property
    def taus_s(self) -> list[float]:
        """The time constants that are still possible."""
        return [sums.tau_s for sums in self._sums]

    def add(self, t: float, y: float) -> None:
        """Take a reading `y` at `t` seconds after the turn."""
        self.readings += 1
        self._y += y
        self._yy += y * y
        exp = math.exp
        for sums in self._sums:
            e = exp(-t / sums.tau_s)
            sums.e += e
            sums.ee += e * e
            sums.ey += e * y

    def weigh(self, sigma: float) -> None:
        """Recompute the posterior, for white noise of `sigma`."""
        n = self.readings
        mean = self._y / n
        yy = max(self._yy - n * mean * mean, 0.0)
        prior, spread, probability = self._prior
        if not sigma or not spread or n < _FEWEST_READINGS:
            self.posterior = CreepPosterior()
            return
        variance = sigma * sigma
        ridge = variance / (spread * spread)
        fits, lefts = [], []
        known = ridge * prior
        before = yy + known * prior
        for sums in self._sums:
            e = sums.e / n
            weight = sums.ee - n * e * e + ridge
            amplitude = (sums.ey - n * e * mean + known) / weight
            lefts.append(before - weight * amplitude * amplitude)
            fits.append(_Fit(e, weight, amplitude))
        variance = max(variance, min(yy, *lefts) / max(n - 2, 1))
        log = math.log
        even = log(probability / len(lefts))
        logs = [
            even - 0.5 * left / variance - 0.5 * log(fit.weight / ridge)
            for left, fit in zip(lefts, fits, strict=True)
        ]
        none = log(1.0 - probability) - 0.5 * yy / variance
        best = max(*logs, none)
        shares = [math.exp(one - best) for one in logs]
        still = math.exp(none - best)
        total = still + math.fsum(shares)
        creeps = 1.0 - still / total
        answers = [
            CreepAnswer(
                probability=1.0 - creeps,
                tau_s=math.inf,
                level=mean,
                level_variance=variance / n,
                amplitude=0.0,
                amplitude_variance=0.0,
            ),
            *self._answers(fits, [share / total for share in shares], mean, variance),
        ]
        level = math.fsum([one.probability * one.level for one in answers])
        squares = [
            one.probability * (one.level_variance + (one.level - level) ** 2) for one in answers
        ]
        self.posterior = CreepPosterior(
            creeps=creeps, level=level, variance=math.fsum(squares), answers=answers
        )

    def _answers(
        self, fits: list[_Fit], probabilities: list[float], mean: float, variance: float
    ) -> list[CreepAnswer]:
        """Return an answer for each time constant; drop time constants that are hardly possible.

        Args:
            fits: one for each time constant.
            probabilities: one for each fit.
            mean: mean of the readings.
            variance: variance of a single reading.
        """
        n, likeliest, last = self.readings, probabilities.index(max(probabilities)), len(fits) - 1
        hardly = _DROPPED_WEIGHT * math.fsum(probabilities) if n > _DROP_AFTER_READINGS else 0.0
        levels = [mean - fit.amplitude * fit.e for fit in fits]
        padded = [levels[0], *levels, levels[-1]]
        answers, kept = [], []
        for place, (sums, (e, weight, amplitude)) in enumerate(zip(self._sums, fits, strict=True)):
            if probabilities[place] < hardly and abs(place - likeliest) > 1:
                continue
            own = variance / weight
            # The true time constant lies anywhere between those of the grid.
            cell = padded[place + 2] - padded[place]
            if 0 < place < last:
                cell /= 2.0
            level_variance = variance / n + e * e * own + cell * cell / 12.0
            kept.append(sums)
            answers.append(
                # By position: up to seven of them a reading, and keywords take 0.2 us each.
                CreepAnswer(
                    probabilities[place], sums.tau_s, levels[place], level_variance, amplitude, own
                )
            )
        self._sums = kept
        return answers
