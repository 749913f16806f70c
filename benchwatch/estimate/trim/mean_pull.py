"""The mean of what single touches of the tool showed."""

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class MeanPull:
    """What the tool does to the frequency while it rests on the trimmer."""

    size: float
    """Fractional; positive: the tool makes it run faster."""
    u: float | None
    """Standard uncertainty; None while only one touch was seen without an uncertainty."""
    samples: int


def mean_pull(samples: list[tuple[float, float | None]]) -> MeanPull | None:
    """Return the weighted mean; u is widened where they scatter by more than their own.

    The widening is Birge's ratio (Physical Review 40, 1932, 207; from memory).

    Args:
        samples: size and standard uncertainty of each, fractional; None where it is unknown.
    """
    if not samples:
        return None
    known = [(size, u) for size, u in samples if u]
    if len(known) < len(samples):  # without an uncertainty there is no weight either
        mean = math.fsum(size for size, _ in samples) / len(samples)
        return MeanPull(mean, None if len(samples) == 1 else _spread(samples, mean), len(samples))
    total = math.fsum(u**-2 for _, u in known)
    mean = math.fsum(size / u**2 for size, u in known) / total
    chi2 = math.fsum(((size - mean) / u) ** 2 for size, u in known)
    wider = math.sqrt(max(chi2 / max(len(known) - 1, 1), 1.0))
    return MeanPull(mean, wider / math.sqrt(total), len(known))


def _spread(samples: list[tuple[float, float | None]], mean: float) -> float:
    count = len(samples)
    return math.sqrt(math.fsum((size - mean) ** 2 for size, _ in samples) / (count - 1) / count)
