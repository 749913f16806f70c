"""Means of a few values with uncertainties of their own; the pull of the tool is such a mean."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

PullSample = tuple[float, float | None]
"""The pull from one touch, fractional, and its standard uncertainty; None: unknown."""


@dataclass(frozen=True, slots=True)
class MeanPull:
    """Shift of the frequency while the tool rests on the trimmer."""

    size: float
    """Fractional; positive: the tool makes it run faster."""
    u: float | None
    """Standard uncertainty; None while only one touch was seen without an uncertainty."""
    samples: int


def weighted_mean(values: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return the weighted mean and its u, widened where values scatter by more than their own u.

    The widening is Birge's ratio (Physical Review 40, 1932, 207; from memory).

    Args:
        values: each with its standard uncertainty, which is not 0; one at least.
    """
    total = math.fsum(u**-2 for _, u in values)
    mean = math.fsum(value / u**2 for value, u in values) / total
    chi2 = math.fsum(((value - mean) / u) ** 2 for value, u in values)
    wider = math.sqrt(max(chi2 / max(len(values) - 1, 1), 1.0))
    return mean, wider / math.sqrt(total)


def mean_pull(samples: Sequence[PullSample]) -> MeanPull | None:
    """Return the mean pull, weighted where each sample has a u; None without samples."""
    if not samples:
        return None
    known = [(size, u) for size, u in samples if u]
    count = len(samples)
    if len(known) == count:
        return MeanPull(*weighted_mean(known), count)
    # Without an uncertainty there is no weight either.
    mean = math.fsum(size for size, _ in samples) / count
    if count == 1:
        return MeanPull(mean, None, count)
    squares = math.fsum((size - mean) ** 2 for size, _ in samples)
    return MeanPull(mean, math.sqrt(squares / (count - 1) / count), count)
