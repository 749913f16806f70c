"""Ageing laws, fitted to the offsets that were measured at visits.

Two laws are fitted by least squares: y = c + A·ln(t) and y = c + A·t, t in days since ageing
began. The first is the law of MIL-PRF-55310, f(t) = A·ln(B·t + 1) + f0, for B·t well above
one, where B and f0 can no longer be told apart: only A can be known, stated per decade of
time (A·ln 10). The law with the smaller corrected Akaike criterion fits better (AICc; Hurvich and
Tsai 1989, Biometrika 76, 297); as both have three parameters (c, A and the scatter), their
difference is n·ln of the ratio of the residual sums. The usual "more than 2" (Burnham and
Anderson 2002, 2.6) is wrong too often with a handful of visits: of made series of 4 to 25 visits
it chooses the wrong law in up to 9 to 22 of 100. So one law is called the better one only from six
visits on and with a difference above 8, which was wrong in 2 of 100 at most (linear and
logarithmic, ageing of 1 to 30 times the scatter, three plans of visits).

Where neither law is the better one, both count in the forecast. Its band covers either law, both
at once (two mechanisms may oppose each other), a random walk and, where the beginning of ageing
is not known, one a month or a year earlier (`ageing_spread`).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from benchwatch.errors import NoReadings, UsageError
from benchwatch.estimate.ageing.ageing_spread import AgeingSpread, spread_of
from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.regression import FittedLine, fit_line
from benchwatch.estimate.uncertainty.uncertainty_budget import coverage_factor

Law = Literal["logarithmic", "linear"]

LN10: Final = math.log(10.0)
CLEAR_AICC_MARGIN: Final = 8.0
"""Difference in AICc above which a law is called the better one."""
FEWEST_VISITS_TO_CHOOSE: Final = 6
"""Fewest visits for which a law is called the better one."""
EARLIER_DAYS: Final = (30.0, 365.0)
"""How much earlier than assumed ageing may have begun, where its beginning is not known."""
ROUNDING_SHARE: Final = 1e-13
"""Residuals below this part of the largest offset are rounding, not scatter."""


@dataclass(frozen=True, slots=True)
class AgeingFit:
    """One law, fitted: a straight line over ln(t) or over t, t in days."""

    law: Law
    line: FittedLine
    earlier_days: float = 0.0
    """Days before time zero at which ageing is taken to have begun; for the logarithmic law."""

    @property
    def visits(self) -> int:
        """Number of offsets that were fitted."""
        return self.line.points

    @property
    def slope(self) -> float:
        """A: fraction per e-fold of time, or per day."""
        return self.line.slope

    @property
    def u_slope(self) -> float | None:
        """Standard uncertainty of A; None with two visits, which leave no degree of freedom."""
        return None if math.isnan(self.line.u_slope) else self.line.u_slope

    @property
    def scatter(self) -> float | None:
        """Standard deviation of a visit about the line, n - 2 degrees of freedom."""
        return None if math.isnan(self.line.residual_sd) else self.line.residual_sd

    @property
    def per_decade(self) -> float | None:
        """A·ln 10, the ageing over each tenfold of time; None for the linear law."""
        return self.slope * LN10 if self.law == "logarithmic" else None

    @property
    def constant(self) -> float:
        """c, the offset at t = 1 day (logarithmic) or at t = 0 (linear)."""
        return self.line.at(0.0)[0]

    def at(self, days: float) -> float:
        """Return the fractional offset that is expected at `days`."""
        return self.line.at(self._x(days))[0]

    def half_width(self, days: float, coverage: float) -> float | None:
        """Return the half-width of the prediction band at `days`; None with two visits."""
        if self.scatter is None:
            return None
        k = coverage_factor(self.visits - 2, coverage)
        return k * math.hypot(self.scatter, self.line.at(self._x(days))[1])

    def _x(self, days: float) -> float:
        return math.log(days + self.earlier_days) if self.law == "logarithmic" else days


@dataclass(frozen=True, slots=True, kw_only=True)
class Ageing:
    """Both laws, fitted, and which of them fits better."""

    best: AgeingFit
    other: AgeingFit | None
    """The law that fits less well; None with two visits, which any law fits."""
    aicc_margin: float | None
    """AICc of `other` less that of `best`; None with two visits."""
    first_days: float
    last_days: float
    began_earlier: tuple[AgeingFit, ...] = ()
    """Fits of the logarithmic law with earlier beginnings that the visits don't rule out."""
    visits: tuple[tuple[float, ...], tuple[float, ...]] = ((), ())
    """Days and offsets that were fitted."""
    beginnings: tuple[float, ...] = (0.0,)
    """Days by which ageing may have begun earlier."""

    @property
    def told_apart(self) -> bool:
        """Whether `best` is clearly the better law, and there are visits enough to say so."""
        return self.aicc_margin is not None and _clear(self.aicc_margin, self.best.visits)

    def spread(self) -> AgeingSpread | None:
        """Return the mixture of all forecasts that the visits allow; None without scatter."""
        return spread_of(*self.visits, self.beginnings) if self.best.scatter else None

    @property
    def possible_fits(self) -> tuple[AgeingFit, ...]:
        """The fits that the visits don't rule out, the best first."""
        other = () if self.other is None or self.told_apart else (self.other,)
        return (self.best, *other, *self.began_earlier)

    @property
    def origin_matters(self) -> bool:
        """True when an earlier beginning changes A by more than its standard uncertainty."""
        plain = next((fit for fit in self.possible_fits if fit.law == "logarithmic"), None)
        if plain is None or plain.u_slope is None:
            return False
        u = plain.u_slope
        return any(abs(fit.slope - plain.slope) > u for fit in self.began_earlier)


def fit_ageing(
    days: Sequence[float], offsets: Sequence[float], *, origin_known: bool = True
) -> Ageing:
    """Fit both laws to `offsets` (fractions) at `days` (above zero, since ageing began).

    Args:
        days: times of the visits.
        offsets: offsets at the visits, fractional.
        origin_known: whether ageing is known to have begun at time zero.

    Raises:
        UsageError: unequal lengths, a value that is no number, or a time that is not above zero.
        NoReadings: fewer than two different times.
    """
    t, y = np.asarray(days, dtype=float), np.asarray(offsets, dtype=float)
    if t.ndim != 1 or t.shape != y.shape:
        raise UsageError(f"{t.size} times and {y.size} offsets don't pair up.")
    if not (np.all(np.isfinite(t)) and np.all(np.isfinite(y))):
        raise UsageError("a visit has a time or an offset that is no number; leave it out.")
    if t.size and not t.min() > 0:
        raise UsageError("ageing is counted in days since it began; every visit must be after.")
    if np.unique(t).size < 2:
        raise NoReadings("ageing needs visits at two different times at least, better five.")
    first, last = float(t.min()), float(t.max())
    linear = _fit("linear", t, y)
    if np.unique(t).size == 2:
        return Ageing(best=linear, other=None, aicc_margin=None, first_days=first, last_days=last)
    logarithmic = _fit("logarithmic", np.log(t), y)
    margin = _margin(linear, logarithmic)
    best, other = (logarithmic, linear) if margin > 0 else (linear, logarithmic)
    earlier = (
        ()
        if origin_known
        else tuple(
            replace(_fit("logarithmic", np.log(t + more), y), earlier_days=more)
            for more in EARLIER_DAYS
        )
    )
    left_open = tuple(fit for fit in earlier if not _clear(_margin(fit, best), t.size))
    return Ageing(
        best=best,
        other=other,
        aicc_margin=abs(margin),
        first_days=first,
        last_days=last,
        began_earlier=left_open,
        visits=(tuple(t.tolist()), tuple(y.tolist())),
        beginnings=(0.0,) if origin_known else (0.0, *EARLIER_DAYS),
    )


def _fit(law: Law, x: FloatArray, y: FloatArray) -> AgeingFit:
    """Fit a line; residuals of the size of rounding errors count as no scatter."""
    line = fit_line(x, y)
    if line.residual_sd <= ROUNDING_SHARE * float(np.abs(y).max()):
        line = replace(line, residual_sd=0.0, u_slope=0.0, u_level=0.0)
    return AgeingFit(law, line)


def _clear(margin: float, visits: int) -> bool:
    return visits >= FEWEST_VISITS_TO_CHOOSE and margin > CLEAR_AICC_MARGIN


def _margin(one: AgeingFit, two: AgeingFit) -> float:
    """Return the AICc of one fit minus that of the other."""
    ours, theirs = one.scatter or 0.0, two.scatter or 0.0
    if ours == theirs:
        return 0.0
    if ours == 0 or theirs == 0:
        return math.inf if theirs == 0 else -math.inf
    return 2.0 * one.visits * math.log(ours / theirs)
