"""Forecasts of an ageing oscillator: its offset with a band, and when it leaves the tolerance.

A forecast by one law has the prediction band of one further visit: ±t·√(s² + u²), u that of the
line, with n - 2 degrees of freedom (Draper and Smith, Applied Regression Analysis, section 1.4).
No law is exact, though: the band that is stated covers every law that the visits don't rule out
(`ageing_spread`).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.errors import UsageError
from benchwatch.estimate.ageing.ageing_laws import Ageing, AgeingFit
from benchwatch.estimate.ageing.ageing_spread import AgeingSpread
from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.uncertainty.uncertainty_budget import DEFAULT_COVERAGE

SEARCH_POINTS: Final = 2001
"""Times within the horizon at which a crossing is searched for."""
BISECTIONS: Final = 60
BAND_POINTS: Final = 61
BAND_BISECTIONS: Final = 16
"""The same two for the ends of the band; its times lie closer together soon after the visits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeingForecast:
    """Expected offset at `days`, and the prediction band of a visit then; fractional."""

    days: float
    offset: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DueDate:
    """When the offset leaves its tolerance, in days on the fit's time; None: not in the horizon."""

    expected_days: float | None
    earliest_days: float | None
    """Day on which the first edge of the band leaves; also None without a band."""
    latest_days: float | None
    """Day from which on the whole band is outside."""
    horizon_days: float
    """Length of the forecast, from the last visit."""


def forecast_ageing(
    ageing: Ageing, days: float, coverage: float = DEFAULT_COVERAGE
) -> AgeingForecast:
    """Return the forecast for a visit at `days`, over every law that is not ruled out."""
    spread = ageing.spread()
    if spread is not None:
        best = ageing.best.at(days)
        low, high = spread.band(np.array([days]), coverage)
        return AgeingForecast(
            days=days, offset=best, low=min(float(low[0]), best), high=max(float(high[0]), best)
        )
    each = [forecast_by_law(fit, days, coverage) for fit in ageing.possible_fits]
    lows = [one.low for one in each if one.low is not None]
    highs = [one.high for one in each if one.high is not None]
    if len(lows) < len(each):
        return each[0]
    return AgeingForecast(days=days, offset=each[0].offset, low=min(lows), high=max(highs))


def due_date(
    ageing: Ageing, tolerance: float, horizon_days: float, coverage: float = DEFAULT_COVERAGE
) -> DueDate:
    """Return when the offset leaves ±`tolerance` (fractional), over every law not ruled out.

    Raises:
        UsageError: the tolerance or the horizon is not above zero.
    """
    spread = ageing.spread()
    if spread is not None:
        return _due_by_spread(ageing, spread, tolerance, horizon_days, coverage)
    each = [
        due_by_law(fit, tolerance, ageing.last_days, horizon_days, coverage)
        for fit in ageing.possible_fits
    ]
    earliest = [one.earliest_days for one in each if one.earliest_days is not None]
    latest = [one.latest_days for one in each if one.latest_days is not None]
    return DueDate(
        expected_days=each[0].expected_days,
        earliest_days=min(earliest, default=None),
        latest_days=max(latest) if len(latest) == len(each) else None,
        horizon_days=horizon_days,
    )


def _due_by_spread(
    ageing: Ageing, spread: AgeingSpread, tolerance: float, horizon_days: float, coverage: float
) -> DueDate:
    best = due_by_law(ageing.best, tolerance, ageing.last_days, horizon_days, coverage)
    at = ageing.last_days + horizon_days * np.linspace(0.0, 1.0, BAND_POINTS) ** 2

    def crossing(side: int) -> float | None:
        def excess(days: FloatArray) -> FloatArray:
            low, high = spread.band(days, coverage)
            edge = np.maximum(-low, high) if side > 0 else np.maximum(low, -high)
            return np.asarray(edge - tolerance)

        above = np.flatnonzero(excess(at) > 0)
        if above.size == 0 or above[0] == 0:
            return None if above.size == 0 else float(at[0])
        below, beyond = at[above[0] - 1 : above[0] + 1].tolist()
        for _ in range(BAND_BISECTIONS):
            middle = (below + beyond) / 2.0
            inside = float(excess(np.array([middle]))[0]) <= 0
            below, beyond = (middle, beyond) if inside else (below, middle)
        return float(beyond)

    earliest, latest = crossing(1), crossing(-1)
    expected = best.expected_days
    if expected is not None and earliest is not None:
        earliest = min(earliest, expected)
    if expected is not None and latest is not None:
        latest = max(latest, expected)
    return DueDate(
        expected_days=expected,
        earliest_days=earliest if earliest is not None else expected,
        latest_days=latest,
        horizon_days=horizon_days,
    )


def forecast_by_law(
    fit: AgeingFit, days: float, coverage: float = DEFAULT_COVERAGE
) -> AgeingForecast:
    """Return the forecast for a visit at `days` by one law."""
    offset, half = fit.at(days), fit.half_width(days, coverage)
    if half is None:
        return AgeingForecast(days=days, offset=offset, low=None, high=None)
    return AgeingForecast(days=days, offset=offset, low=offset - half, high=offset + half)


def due_by_law(
    fit: AgeingFit,
    tolerance: float,
    last_days: float,
    horizon_days: float,
    coverage: float = DEFAULT_COVERAGE,
) -> DueDate:
    """Return when the offset leaves ±`tolerance` by one law, within `horizon_days` of `last_days`.

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
        return DueDate(
            expected_days=expected, earliest_days=None, latest_days=None, horizon_days=horizon_days
        )
    earliest = _first_above(beyond(1), last_days, end)
    return DueDate(
        expected_days=expected,
        earliest_days=earliest,
        latest_days=_first_above(beyond(-1), last_days, end),
        horizon_days=horizon_days,
    )


def _first_above(excess: Callable[[float], float], start: float, end: float) -> float | None:
    """Return the first time in [start, end] at which `excess` is above zero; None: never."""
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
