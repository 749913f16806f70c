"""The creep of a trimmer after a turn: the level at which it will come to rest.

The plates or the spring of a trimmer go on moving after a turn, by a part of it, exponentially.
`creep_fit` finds level, amplitude and time constant; the prior amplitude is a small part of the
turn. The share that creeps and its time constant are learned from turn to turn.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from benchwatch.estimate.level.creep_fit import CreepFit, CreepPrior
from benchwatch.estimate.level.step_fit import PossibleCreep, creep_explains
from benchwatch.estimate.regression import Point
from benchwatch.estimate.results import Rest

TAU_SPACINGS: Final = tuple(2.5 * 1.44**place for place in range(7))
"""Time constants weighed, in spacings of readings: up to 22."""
FOLLOWED_READINGS: Final = 100
"""Readings after a turn in which a creep is followed, at most."""
LARGEST_SHARE: Final = 0.35
"""Part of a turn that may creep; more than this is another turn."""
SHOWN_PROBABILITY, HIDDEN_PROBABILITY = 0.95, 0.5
"""Probability of a creep from which it is shown, and below which it is no longer shown."""
TURNS_KEPT: Final = 6
"""Turns whose creep is kept."""
_PRIOR_SHARE_SD: Final = 0.12
"""sd of the part of a turn that creeps, before any creep was seen (common practice, no source)."""
_PRIOR_PROBABILITY = 0.5
"""Probability that a turn creeps, before any was seen."""
_SPREAD_SHARE_OF_ONE = 0.5
"""sd of the next turn's creep after a single one was seen, as a part of it."""
_HIDING_DRIFT_SHARE: Final = 0.05
"""A drift of more than this part of the turn in the longest time constant hides a creep."""
_OVER_SHARE_OF_U: Final = 0.5
"""A creep is over when the motion still to come is less than this part of u."""
_FIRST_READINGS, _UPDATE_EVERY_READINGS = 8, 4
"""Number of first readings that each update the fit; after them one reading in so many does."""
_NO_CREEP_PROBABILITY, _NO_CREEP_READINGS = 0.2, 24
"""The search for a creep ends where it is less probable than this after so many readings."""


@dataclass(frozen=True, slots=True)
class LearnedCreep:
    """The creep after one turn."""

    share: float
    """Part of the whole turn; positive: in the direction of the turn."""
    u: float
    tau_s: float
    """Time constant."""


def _expected(learned: Sequence[LearnedCreep]) -> CreepPrior:
    """Return the creep expected after earlier ones, as fractions of the turn."""
    if not learned:
        return CreepPrior(0.0, _PRIOR_SHARE_SD, _PRIOR_PROBABILITY)
    shares = [one.share for one in learned]
    n = len(shares)
    mean = math.fsum(shares) / n
    own = math.fsum(one.u**2 for one in learned) / n
    scatter = math.fsum((share - mean) ** 2 for share in shares) / (n - 1) if n > 1 else 0.0
    spread = max(math.sqrt(scatter + own), _SPREAD_SHARE_OF_ONE / math.sqrt(n) * abs(mean), 0.01)
    crept = sum(abs(one.share) > 3.0 * one.u for one in learned)
    return CreepPrior(-mean, spread, (1.0 + crept) / (2.0 + n))


class Creep:
    """Follows the level after one turn; O(1) a reading.

    Args:
        at_s: time of the first reading after the turn.
        level: about the offset of that reading, fractional: the origin of the sums.
        size: of the turn as first seen, fractional; a series of turns counts as their root sum
            of squares.
        spacing_s: usual time between readings.
        slope: drift that was there before the turn, a second.
        slope_u: its standard uncertainty.
        learned: the creeps after earlier turns of this trimmer.
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
        drifts = abs(slope) * TAU_SPACINGS[-1] * spacing_s
        self._separable = drifts <= _HIDING_DRIFT_SHARE * abs(size)
        """False where the drift is so large that a creep can't be distinguished from it."""
        self._level0 = level
        self._slope, self._slope_u = slope, slope_u
        self._now_s = at_s
        share = _expected(learned)
        self._fit = CreepFit(
            [tau * spacing_s for tau in TAU_SPACINGS],
            share._replace(amplitude=share.amplitude * size, sd=share.sd * abs(size)),
        )
        self._shown = False
        """Whether a level at rest is shown."""
        self._was_shown = False

    def add(self, at_s: float, offset: float, sigma: float) -> None:
        """Take a reading with white noise of `sigma`."""
        t = at_s - self.at_s
        self._now_s = at_s
        self._fit.add(t, offset - self._level0 - self._slope * t)
        if self.fit_updated:
            self._fit.weigh(sigma)

    def resting(self, wander: float = 0.0) -> tuple[float, float] | None:
        """Return the level at rest and its standard uncertainty; None while unknown.

        Args:
            wander: variance of a mean of the readings beyond white noise.
        """
        if not (self._fit.posterior.answers and self._separable):
            return None
        posterior, t = self._fit.posterior, self._now_s - self.at_s
        variance = posterior.variance + (wander + (0.5 * t * self._slope_u) ** 2)
        return self._level0 + self._slope * t + posterior.level, math.sqrt(variance)

    @property
    def readings(self) -> int:
        """Number of readings taken."""
        return self._fit.readings

    @property
    def fit_updated(self) -> bool:
        """Whether the last reading has updated the fit."""
        return (
            self._fit.readings <= _FIRST_READINGS
            or self._fit.readings % _UPDATE_EVERY_READINGS == 0
        )

    @property
    def over(self) -> bool:
        """Whether the fit has ended: the level has come to rest, or never crept."""
        if self._fit.readings >= FOLLOWED_READINGS:
            return True
        if self._fit.readings < _NO_CREEP_READINGS or self._shown:
            return False
        return self._fit.posterior.creeps < _NO_CREEP_PROBABILITY or self._was_shown

    def rest(self, wander: float = 0.0) -> Rest | None:
        """Return the level at rest and the time until then; None while the level does not creep.

        Args:
            wander: variance of a mean of the readings beyond white noise.
        """
        resting = self.resting(wander)
        least = HIDDEN_PROBABILITY if self._shown else SHOWN_PROBABILITY
        if resting is None or self._fit.posterior.creeps < least:
            self._shown = False
            return None
        offset, u = resting
        left, tau_s = self._creep_to_come()
        self._shown = left > (_OVER_SHARE_OF_U * u if self._shown else u)
        self._was_shown = self._was_shown or self._shown
        if not self._shown:
            return None
        return Rest(
            offset=offset,
            u=u,
            in_s=tau_s * math.log(left / (_OVER_SHARE_OF_U * u)),
            readings=self._fit.readings,
            span_s=self._now_s - self.at_s,
        )

    def _creep_to_come(self) -> tuple[float, float]:
        """Return the creep still to come (fractional, unsigned) and its time constant (s)."""
        t = self._now_s - self.at_s
        creeping = self._fit.posterior.answers[1:]
        weight = math.fsum([one.probability for one in creeping])
        left = math.fsum(
            [one.probability * one.amplitude * math.exp(-t / one.tau_s) for one in creeping]
        )
        tau_s = math.fsum([one.probability * one.tau_s for one in creeping]) / weight
        return abs(left) / weight, tau_s

    def learned(self) -> LearnedCreep | None:
        """Return the creep after this turn; None where it was followed too briefly."""
        answers = self._fit.posterior.answers
        if not (answers and self._separable):
            return None
        amplitude = math.fsum(one.probability * one.amplitude for one in answers)
        variance = math.fsum(
            one.probability * (one.amplitude_variance + (one.amplitude - amplitude) ** 2)
            for one in answers
        )
        whole = self.size - amplitude
        share, u = -amplitude / whole, math.sqrt(variance) / abs(whole)
        if u > max(0.5 * abs(share), 0.02):
            return None
        return LearnedCreep(share, u, self._creep_to_come()[1])

    def explains(
        self,
        before: Sequence[Point],
        after: Sequence[Point],
        sigma: float,
        excess: float,
        sure: float,
    ) -> bool:
        """Return whether this creep alone may explain a step since the turn.

        Args:
            before: readings since the turn, oldest first, one at least.
            after: readings from the step on, one at least.
            sigma: sd of single readings, fractional.
            excess: variance beyond white noise of block means as long as the shorter stretch.
            sure: a step that keeps more u than this is not explained by the creep.
        """
        return creep_explains(
            self._without_drift(before),
            self._without_drift(after),
            PossibleCreep(
                taus_s=self._fit.taus_s,
                sd=_PRIOR_SHARE_SD * self.size,
                most=LARGEST_SHARE * abs(self.size),
            ),
            sigma=sigma,
            excess=excess,
            sure=sure,
        )

    def _without_drift(self, points: Sequence[Point]) -> list[Point]:
        """Return the readings without drift, each with minus its time since the turn (s)."""
        return [(self.at_s - at_s, y - self._slope * (at_s - self.at_s)) for at_s, y in points]
