"""A mixture of the forecasts that the visits allow, over both laws and a random walk.

The band of one fitted law is too narrow, as the law is uncertain. So the offsets are taken as

    y(t) = c + a·ln(t + e) + b·t + walk + scatter

with a, b or both, a random walk and the scatter of a visit; ageing began e days earlier than
assumed. The amounts of a, b and the walk over the visits lie on a grid in units of the
scatter, and every point of the grid is weighted by its exact likelihood, with a free level c and
1/σ² as the prior of the scale (Rasmussen and Williams, Gaussian Processes for Machine Learning,
2.7 and 5.4). The distribution of a further visit is the mixture of their t distributions, and the
band lies between its quantiles: wide where laws differ, narrow where the visits favour one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray

LAW_SDS: Final = 10.0 ** np.arange(0.0, 3.6, 0.5)
"""Standard deviations that a law adds over the visits, in units of the scatter of a visit."""
WALK_VARIANCES: Final = np.concatenate(([0.0], 10.0 ** np.arange(-0.5, 2.6, 0.5)))
"""Variances that the walk adds over the visits, in units of the variance of the scatter."""
NO_WALK_PRIOR: Final = 0.4
"""Prior probability that there is no walk."""
SINGLE_LAW_PRIOR: Final = 0.6
"""Prior probability of a single law, shared evenly by both; the rest is for both at once."""
MOST_VISITS: Final = 60
"""Where there are more visits, neighbours are joined into this many means."""
LEAST_WEIGHT: Final = 1e-3
BISECTIONS: Final = 35


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AgeingSpread:
    """A mixture of forecasts, one for each hypothesis of n visits; in the unit of the offsets."""

    days: FloatArray
    """Times of the visits, (n,)."""
    level: float
    weight: FloatArray
    """Posterior probability of each hypothesis, (h,)."""
    laws: FloatArray
    """Variances of the logarithmic law, the linear law and the walk, and e; (h, 4)."""
    scale: FloatArray
    """Standard deviation of the scatter of one visit, (h,)."""
    solved: FloatArray
    """(h, n): weights of the covariances with the visits in the expected offset."""
    inverse: FloatArray
    """(h, n, n): inverse of the covariance of the visits, the level taken out."""
    dof: float

    def at(self, days: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return centres and scales of the t distributions of a visit at `days`, (h, times)."""
        n = self.days.size
        first, last = float(self.days.min()), float(self.days.max())
        with_visits = _covariance(self.laws, days, self.days, first, last)
        among = _covariance(self.laws, self.days, self.days, first, last)
        # Relative to the mean of the visits, so that the level drops out.
        apart = with_visits - among.mean(axis=1)[:, None, :]
        own = _law_variance(self.laws, days, first, last) - 2.0 * with_visits.mean(axis=2)
        own += among.mean(axis=(1, 2))[:, None] + 1.0 + 1.0 / n
        apart -= 1.0 / n
        centre = self.level + (apart * self.solved[:, None, :]).sum(axis=2)
        left = own - np.einsum("htn,hnm,htm->ht", apart, self.inverse, apart)
        return centre, self.scale[:, None] * np.sqrt(np.maximum(left, 1.0))

    def band(self, days: FloatArray, coverage: float) -> tuple[FloatArray, FloatArray]:
        """Return the ends of the interval that holds a visit at each of `days` with `coverage`."""
        from scipy import special  # noqa: PLC0415 - slow; the first reading comes first

        centre, scale = self.at(days)
        tail = (1.0 - coverage) / 2.0
        reach = scale * -float(special.stdtrit(self.dof, tail))
        ends = []
        for share in (tail, 1.0 - tail):
            low, high = (centre - 2 * reach).min(axis=0), (centre + 2 * reach).max(axis=0)
            for _ in range(BISECTIONS):
                middle = (low + high) / 2.0
                below = self.weight @ special.stdtr(self.dof, (middle[None] - centre) / scale)
                low, high = (
                    np.where(below < share, middle, low),
                    np.where(below < share, high, middle),
                )
            ends.append((low + high) / 2.0)
        return ends[0], ends[1]


def spread_of(
    days: Sequence[float], offsets: Sequence[float], earlier: Sequence[float] = (0.0,)
) -> AgeingSpread | None:
    """Return the mixture of all hypotheses, weighted by their likelihoods.

    Args:
        days: times of the visits, above zero.
        offsets: offsets at the visits, any unit.
        earlier: days by which ageing may have begun earlier.

    Returns:
        None with fewer than three visits, or where they all agree.
    """
    t, y = np.asarray(days, dtype=float), np.asarray(offsets, dtype=float)
    order = np.argsort(t)
    t, y = _averaged_visits(t[order]), _averaged_visits(y[order])
    n, span = t.size, float(np.ptp(t))
    size = float(np.ptp(y))
    if n < 3 or not size > 0 or not span > 0:
        return None
    laws, prior = _hypotheses(earlier)
    free = np.linalg.svd(np.ones((n, 1)))[0][:, 1:]
    among = _covariance(laws, t, t, float(t.min()), float(t.max())) + np.eye(n)
    projected = free.T @ among @ free
    inverse = np.linalg.inv(projected)
    seen = free.T @ ((y - y.mean()) / size)
    solved = inverse @ seen
    misfit = np.maximum(solved @ seen, 1e-24)
    log_det = np.linalg.slogdet(projected)[1]
    log_weight = np.log(prior) - 0.5 * log_det - 0.5 * (n - 1) * np.log(misfit)
    weight = np.exp(log_weight - log_weight.max())
    kept = weight > LEAST_WEIGHT
    scale = size * np.sqrt(misfit[kept] / (n - 1))
    return AgeingSpread(
        days=t,
        level=float(y.mean()),
        weight=weight[kept] / weight[kept].sum(),
        laws=laws[kept],
        scale=scale,
        solved=size * (solved[kept] @ free.T),
        inverse=free @ inverse[kept] @ free.T,
        dof=float(n - 1),
    )


def _averaged_visits(values: FloatArray) -> FloatArray:
    if values.size <= MOST_VISITS:
        return values
    return np.array([part.mean() for part in np.array_split(values, MOST_VISITS)])


def _hypotheses(earlier: Sequence[float]) -> tuple[FloatArray, FloatArray]:
    """Return every hypothesis, as in `AgeingSpread.laws`, and its prior probability, (h,)."""
    rows, prior = [], []
    for amount in (LAW_SDS**2).tolist():
        for walk in WALK_VARIANCES.tolist():
            some = (1.0 - NO_WALK_PRIOR) / (WALK_VARIANCES.size - 1) if walk else NO_WALK_PRIOR
            rows.append((0.0, amount, walk, 0.0))
            prior.append(some * SINGLE_LAW_PRIOR / 2.0)
            for e in earlier:
                rows += [(amount, 0.0, walk, e), (amount, amount, walk, e)]
                prior += [
                    some * SINGLE_LAW_PRIOR / 2.0 / len(earlier),
                    some * (1.0 - SINGLE_LAW_PRIOR) / len(earlier),
                ]
    return np.array(rows), np.array(prior)


def _shapes(laws: FloatArray, t: FloatArray, first: float, last: float) -> tuple[FloatArray, ...]:
    """Return both laws as curves from 0 to 1 over the visits, (h, times), and the walk's time."""
    e = laws[:, 3:4]
    logarithmic = np.log((t[None] + e) / (first + e)) / np.log((last + e) / (first + e))
    linear = (t - first) / (last - first)
    return logarithmic, np.broadcast_to(linear, logarithmic.shape), linear


def _covariance(
    laws: FloatArray, one: FloatArray, two: FloatArray, first: float, last: float
) -> FloatArray:
    """Return covariances of the laws and the walk at two lists of times, (h, times, times)."""
    log1, lin1, walk1 = _shapes(laws, one, first, last)
    log2, lin2, walk2 = _shapes(laws, two, first, last)
    found = laws[:, 0, None, None] * log1[:, :, None] * log2[:, None, :]
    found += laws[:, 1, None, None] * lin1[:, :, None] * lin2[:, None, :]
    found += laws[:, 2, None, None] * np.minimum(walk1[:, None], walk2[None, :])[None]
    return np.asarray(found)


def _law_variance(laws: FloatArray, t: FloatArray, first: float, last: float) -> FloatArray:
    """Return the variance of the laws and the walk at each time, (h, times)."""
    logarithmic, linear, walk = _shapes(laws, t, first, last)
    found = laws[:, :1] * logarithmic**2 + laws[:, 1:2] * linear**2 + laws[:, 2:3] * walk[None]
    return np.asarray(found)
