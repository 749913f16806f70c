"""Ageing of an oscillator from offsets measured at visits, and when it is due again.

Two laws are fitted by least squares: y = c + A·ln(t) and y = c + A·t, t in days since ageing
began. The first is the law of MIL-PRF-55310, f(t) = A·ln(B·t + 1) + f0, for B·t well above
one, where B and f0 can no longer be told apart: only A can be known, stated per decade of
time (A·ln 10). The law with the smaller corrected Akaike criterion is kept (AICc; Hurvich and
Tsai 1989, Biometrika 76, 297); as both have three parameters (c, A and the scatter), their
difference is n·ln of the ratio of the residual sums.

A forecast carries a prediction band, that is, room for the scatter of one further visit:
±t·√(s² + u²), u that of the line, with n - 2 degrees of freedom (Draper and Smith, Applied
Regression Analysis, section 1.4).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from benchwatch.errors import NoReadings, UsageError
from benchwatch.estimate.budget import DEFAULT_COVERAGE, coverage_factor
from benchwatch.estimate.regression import Line, fit_line

Law = Literal["logarithmic", "linear"]

LN10: Final = math.log(10.0)
SEARCH_POINTS: Final = 2001
"""Places at which a horizon is looked through for the first crossing."""
BISECTIONS: Final = 60
ROUNDING: Final = 1e-13
"""Residuals below this part of the largest offset are rounding, not scatter."""


@dataclass(frozen=True, slots=True)
class Fit:
    """One law, fitted: a straight line over ln(t) or over t, t in days."""

    law: Law
    line: Line

    @property
    def visits(self) -> int:
        """How many offsets were fitted."""
        return self.line.points

    @property
    def slope(self) -> float:
        """A: fraction per e-fold of time, or per day."""
        return self.line.slope

    @property
    def u_slope(self) -> float | None:
        """None with two visits, when nothing is left to judge the scatter by."""
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
        """Offset expected at `days`."""
        return self.line.at(self._x(days))[0]

    def rate_per_day(self, days: float) -> float:
        """Ageing rate at `days`, fraction per day."""
        return self.slope / days if self.law == "logarithmic" else self.slope

    def half_width(self, days: float, coverage: float) -> float | None:
        """Half-width of the prediction band at `days`; None with two visits."""
        if self.scatter is None:
            return None
        k = coverage_factor(self.visits - 2, coverage)
        return k * math.hypot(self.scatter, self.line.at(self._x(days))[1])

    def _x(self, days: float) -> float:
        return math.log(days) if self.law == "logarithmic" else days


@dataclass(frozen=True, slots=True)
class Ageing:
    """Both laws, and which of them the visits speak for."""

    best: Fit
    other: Fit | None
    """The law that fits less well; None with two visits, which any law fits."""
    aicc_margin: float | None
    """How much larger the AICc of `other` is; below 2 the visits hardly tell them apart."""
    first_days: float
    last_days: float

    @property
    def told_apart(self) -> bool:
        """True when the laws differ by more than 2 in AICc (Burnham and Anderson 2002, 2.6)."""
        return self.aicc_margin is not None and self.aicc_margin > 2.0


@dataclass(frozen=True, slots=True)
class Forecast:
    """Expected offset at `days`, and the band a further visit is expected in."""

    days: float
    offset: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Due:
    """When the offset leaves its tolerance, in days on the fit's time; None: not in the horizon."""

    expected_days: float | None
    earliest_days: float | None
    """When the edge of the prediction band leaves first; None too without a band."""
    latest_days: float | None
    """When the whole band is outside."""
    horizon_days: float
    """Looked this far, from the last visit."""


def fit_ageing(days: Sequence[float], offsets: Sequence[float]) -> Ageing:
    """Fit both laws to `offsets` (fractions) at `days` (above zero, since ageing began).

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
        return Ageing(linear, None, None, first, last)
    logarithmic = _fit("logarithmic", np.log(t), y)
    margin = _margin(linear, logarithmic)
    if margin > 0:
        return Ageing(logarithmic, linear, margin, first, last)
    return Ageing(linear, logarithmic, -margin, first, last)


def forecast(fit: Fit, days: float, coverage: float = DEFAULT_COVERAGE) -> Forecast:
    """Say what a visit at `days` is expected to find."""
    offset, half = fit.at(days), fit.half_width(days, coverage)
    if half is None:
        return Forecast(days, offset, None, None)
    return Forecast(days, offset, offset - half, offset + half)


def due(
    fit: Fit,
    tolerance: float,
    last_days: float,
    horizon_days: float,
    coverage: float = DEFAULT_COVERAGE,
) -> Due:
    """Find when ±`tolerance` is left, between `last_days` and `horizon_days` later.

    Raises:
        UsageError: the tolerance or the horizon is not above zero.
    """
    if not 0 < tolerance < math.inf or not 0 < horizon_days < math.inf:
        raise UsageError("the tolerance and the horizon must be above zero.")

    def beyond(side: int) -> Callable[[float], float]:
        def excess(days: float) -> float:
            half = fit.half_width(days, coverage) if side else 0.0
            return abs(fit.at(days)) + side * (half or 0.0) - tolerance

        return excess

    end = last_days + horizon_days
    expected = _first_above(beyond(0), last_days, end)
    if fit.scatter is None:
        return Due(expected, None, None, horizon_days)
    earliest = _first_above(beyond(1), last_days, end)
    return Due(expected, earliest, _first_above(beyond(-1), last_days, end), horizon_days)


def _fit(law: Law, x: NDArray[np.float64], y: NDArray[np.float64]) -> Fit:
    """Fit a line; what rounding leaves over counts as no scatter."""
    line = fit_line(x, y)
    if line.residual_sd <= ROUNDING * float(np.abs(y).max()):
        line = replace(line, residual_sd=0.0, u_slope=0.0, u_level=0.0)
    return Fit(law, line)


def _margin(linear: Fit, logarithmic: Fit) -> float:
    """AICc of the linear law minus that of the logarithmic one."""
    ours, theirs = linear.scatter or 0.0, logarithmic.scatter or 0.0
    if ours == theirs:
        return 0.0
    if ours == 0 or theirs == 0:
        return math.inf if theirs == 0 else -math.inf
    return 2.0 * linear.visits * math.log(ours / theirs)


def _first_above(excess: Callable[[float], float], start: float, end: float) -> float | None:
    """First time in [start, end] at which `excess` is above zero."""
    below = start
    if excess(start) > 0:
        return start
    for point in np.linspace(start, end, SEARCH_POINTS)[1:]:
        above = float(point)
        if excess(above) > 0:
            for _ in range(BISECTIONS):
                middle = (below + above) / 2.0
                below, above = (below, middle) if excess(middle) > 0 else (middle, above)
            return above
        below = above
    return None
