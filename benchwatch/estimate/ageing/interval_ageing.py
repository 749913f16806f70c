"""Forecasts of a unit that is trimmed at its visits, from the intervals between them.

The changes d over the intervals are taken as normal, with the covariance

    a²·p·pᵀ + b²·q·qᵀ + w²·diag(τ) + D·C·Dᵀ + r²·s²·V

p, q: what the logarithmic and the linear law change over each interval, scaled to 1 over all
visits; τ: share of each interval in that time; C: covariance of the records' errors
(`visit_history`), D: the records in each change; V: the same for an error that a visit adds to
all its records alike (warmth of the room, a start from cold), in units of a typical u, s. What a
trim shares and what it doesn't is thus counted as it is: this is generalised least squares with
amounts that are normal themselves (Rasmussen and Williams, Gaussian Processes for Machine Learning,
2.7). With exact trims and no prior it is ordinary least squares over the joined series.

Neither the amounts nor the law are known. Amounts lie on a grid over two decades
around the largest change seen, evenly in their logarithm; a law alone, both at once (two mechanisms
may oppose each other), a random walk of up to the same size beside them or alone, and three
beginnings of the logarithmic law before the first visit are weighted by their likelihood. The
distribution of a later offset is the mixture of all. So a single interval gives a rate, and a range
that says that the law is unknown: the logarithmic law, which slows down, makes the latest date
later, and the random walk, which has no rate, widens both ends.

On made units that were trimmed at each of 2, 3, 4, 6 and 8 visits (linear or logarithmic ageing of
0.5 to 30 ppb a year, without or with a random walk of 5 to 50 % of that in a year, u of 0.02 to 0.2
ppb) the 95 % band held the true offset a year on in 0.91 to 1.00 of 200 units of each kind, and the
range of the due date its true day in 0.94 to 1.00 (``test_quality_visit_history``).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.errors import UsageError
from benchwatch.estimate.ageing.ageing_forecast import AgeingForecast, DueDate
from benchwatch.estimate.ageing.interval_errors import MOST_INTERVALS, IntervalErrors
from benchwatch.estimate.ageing.interval_hypotheses import (
    BEGINNINGS_DAYS,
    hypotheses,
    posterior,
)
from benchwatch.estimate.ageing.visit_history import DatedOffset, VisitHistory
from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.derived_frequencies import DAY_S
from benchwatch.estimate.uncertainty.uncertainty_budget import DEFAULT_COVERAGE

LEAST_WEIGHT: Final = 1e-3
SEARCH_POINTS: Final = 61
"""Times at which the ends of the due date are searched for, closer together at first."""
BISECTIONS: Final = 35
DATE_STEP_DAYS: Final = 0.5
"""Dates are searched for to within so many days."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class IntervalAgeing:
    """A mixture of h normal forecasts from m intervals; offsets in fractions, times in days."""

    newest: DatedOffset
    """The record that the forecast goes on from."""
    moved: bool
    """Whether the changes are larger than the records' errors explain, at 95 %."""
    span_days: float
    """From the first to the last record of the intervals."""
    since_last_days: float
    """From the last of them to the newest record."""
    weight: FloatArray
    """Probability of each hypothesis, (h,)."""
    amounts: FloatArray
    """Variances of the logarithmic law, the linear law and the walk; days since the beginning of
    the first at the first visit, (h, 4)."""
    means: FloatArray
    """Expected amounts of the logarithmic and the linear law, and the expected error of the newest
    record; (h, 3)."""
    spread: FloatArray
    """Their covariance, (h, 3, 3)."""

    def at(self, days: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return centres and standard deviations at `days` after the newest record, (h, times)."""
        begun = self.amounts[:, 3:4]
        end = self.span_days + self.since_last_days
        scale = np.log((self.span_days + begun) / begun)
        p = np.log((end + days[None] + begun) / (end + begun)) / scale
        q = np.broadcast_to(days / self.span_days, p.shape)
        shapes = np.stack((p, q, -np.ones_like(p)), axis=2)
        centre = self.newest.offset + np.einsum("htk,hk->ht", shapes, self.means)
        variance = np.einsum("htk,hkl,htl->ht", shapes, self.spread, shapes)
        variance += self.amounts[:, 2:3] * days[None] / self.span_days
        return centre, np.sqrt(np.maximum(variance, 0.0))

    def below(self, offset: float | FloatArray, days: FloatArray) -> FloatArray:
        """Return the probability that the true offset at `days` lies below `offset`, (times,)."""
        from scipy import special  # noqa: PLC0415 - slow; the first reading comes first

        centre, sd = self.at(days)
        tiny = np.finfo(float).tiny
        return np.asarray(self.weight @ special.ndtr((offset - centre) / np.maximum(sd, tiny)))

    def quantile(self, share: float, days: FloatArray) -> FloatArray:
        """Return the offsets below which the true one lies with probability `share`, (times,)."""
        centre, sd = self.at(days)
        low, high = (centre - 8.0 * sd).min(axis=0), (centre + 8.0 * sd).max(axis=0)
        for _ in range(BISECTIONS):
            middle = (low + high) / 2.0
            under = self.below(middle, days) < share
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return np.asarray((low + high) / 2.0)

    def forecast(self, days: float, coverage: float = DEFAULT_COVERAGE) -> AgeingForecast:
        """Return the median of the true offset `days` after the newest record, with its band."""
        tail, at = (1.0 - coverage) / 2.0, np.array([days])
        low, middle, high = (
            float(self.quantile(share, at)[0]) for share in (tail, 0.5, 1.0 - tail)
        )
        return AgeingForecast(days=days, offset=middle, low=low, high=high)

    def due(
        self, tolerance: float, horizon_days: float, coverage: float = DEFAULT_COVERAGE
    ) -> DueDate:
        """Return when the offset leaves ±`tolerance` (fractional), days after the newest record.

        Expected: the day from which on it is outside more likely than not. Earliest and latest:
        those on which an edge of the band, and the whole band, are outside.

        Raises:
            UsageError: the tolerance or the horizon is not above zero.
        """
        if not 0 < tolerance < math.inf or not 0 < horizon_days < math.inf:
            raise UsageError("the tolerance and the horizon must be above zero.")
        tail = (1.0 - coverage) / 2.0

        def beyond(days: FloatArray) -> tuple[FloatArray, FloatArray]:
            """Return the probabilities of being above and below the limits."""
            return 1.0 - self.below(tolerance, days), self.below(-tolerance, days)

        def edge(above: FloatArray, below: FloatArray) -> FloatArray:
            return np.asarray(above + below - tail / 2.0)

        def half(above: FloatArray, below: FloatArray) -> FloatArray:
            return np.asarray(above + below - 0.5)

        def whole(above: FloatArray, below: FloatArray) -> FloatArray:
            return np.asarray(np.maximum(above, below) - (1.0 - tail))

        at = horizon_days * np.linspace(0.0, 1.0, SEARCH_POINTS) ** 2
        by_day = beyond(at)

        def first(excess: Callable[[FloatArray, FloatArray], FloatArray]) -> float | None:
            over = np.flatnonzero(excess(*by_day) > 0)
            if over.size == 0 or over[0] == 0:
                return None if over.size == 0 else 0.0
            before, after = at[over[0] - 1 : over[0] + 1].tolist()
            while after - before > DATE_STEP_DAYS:
                middle = (before + after) / 2.0
                inside = float(excess(*beyond(np.array([middle])))[0]) <= 0
                before, after = (middle, after) if inside else (before, middle)
            return float(after)

        expected, earliest = first(half), first(edge)
        if expected is not None and (earliest is None or earliest > expected):
            earliest = expected
        return DueDate(
            expected_days=expected,
            earliest_days=earliest,
            latest_days=first(whole),
            horizon_days=horizon_days,
        )


def interval_ageing(history: VisitHistory) -> IntervalAgeing | None:
    """Return the forecast of a unit from the intervals between its visits.

    Returns:
        None where there is no interval, or the date of the newest record is in doubt.
    """
    intervals, newest = history.intervals[-MOST_INTERVALS:], history.newest
    if not intervals or newest is None or not history.newest_dated:
        return None
    changes = np.array([one.change for one in intervals])
    errors = IntervalErrors(intervals, newest, float(np.abs(changes).max()))
    start, end = intervals[0].from_utc_s, intervals[-1].to_utc_s
    span_days = (end - start) / DAY_S
    if not errors.typical > 0 or not span_days > 0:
        return None
    from_days = np.array([(one.from_utc_s - start) / DAY_S for one in intervals])
    to_days = np.array([(one.to_utc_s - start) / DAY_S for one in intervals])
    largest = max(
        float(np.abs(changes).max()),
        float(np.abs(np.cumsum(changes)).max()),
        math.sqrt(float(np.diagonal(errors.among(0.0)).max())),
    )
    grid = hypotheses(largest)
    begun = np.array(BEGINNINGS_DAYS)[:, None]
    p = np.log((to_days[None] + begun) / (from_days[None] + begun))
    p /= np.log((span_days + begun) / begun)
    length = (to_days - from_days) / span_days
    seen = posterior(grid, errors, largest=largest, changes=changes, logarithmic=p, linear=length)
    weight = np.exp(seen.log_weight - seen.log_weight.max())
    kept = weight > LEAST_WEIGHT * weight.max()
    return IntervalAgeing(
        newest=newest,
        moved=_moved(changes, errors.among(0.0)),
        span_days=span_days,
        since_last_days=max((newest.utc_s - end) / DAY_S, 0.0),
        weight=weight[kept] / weight[kept].sum(),
        amounts=np.column_stack((grid.amounts, begun[grid.beginning, 0]))[kept],
        means=seen.means[kept],
        spread=seen.spread[kept],
    )


def _moved(changes: FloatArray, among: FloatArray) -> bool:
    """Return whether the changes are larger than their errors, by χ² at 95 %."""
    from scipy import special  # noqa: PLC0415 - slow; the first reading comes first

    misfit = float(changes @ np.linalg.solve(among, changes))
    return misfit > float(special.chdtri(changes.size, 0.05))
