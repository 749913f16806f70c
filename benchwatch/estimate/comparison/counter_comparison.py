"""Differences of several counters on one signal, and the offsets of their time bases.

A counter counts by its own time base. If the time base is fast by y, the counter reads low,
read = true/(1 + y). The signal is common to all of them, so it drops out of the difference of two
counters and leaves the difference of their time bases.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeVar

import numpy as np

from benchwatch.errors import NoReadings
from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.comparison.matched_pair import MatchedPair, still
from benchwatch.estimate.uncertainty.mean_uncertainty import noise_of_difference
from benchwatch.estimate.uncertainty.uncertainty_budget import (
    DEFAULT_COVERAGE,
    coverage_factor,
    resolution_uncertainty,
    standard_uncertainty,
    whole_dof,
)

THREE_PAIRS: Final = 3
"""Pairs among three counters; with fewer there is no majority."""
FEWEST_TERMS: Final = 8
"""Fewest terms of a variance for a three-cornered hat."""
FEWEST_STILL: Final = 32
"""Fewest moments that are left of a pair when its older part is left out."""
SURE: Final = 0.999
"""Coverage of all pairs together at which a difference says that a time base is off. Without end
new readings come and the answer is looked at, so that 95 % would sooner or later name anyone."""
AGREEING: Final = 0.99
"""Coverage of all pairs together within which the others must agree while one is named."""

LimitedBy = Literal["noise", "motion", "digits"]
"""Largest part of the uncertainty of a difference: noise, the motion of the signal times the error
of dating, or the last digits."""

Offsets = TypeVar("Offsets", float, FloatArray)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Mean of the readings of `first` minus those of `second`, fractional."""

    first: str
    second: str
    mean: float
    u: float | None
    """Standard uncertainty by the noise of the difference; None with too few readings."""
    dof: float
    readings: int
    """Matched readings in the mean."""
    limited_by: LimitedBy = "noise"

    def half_width(self, coverage: float = DEFAULT_COVERAGE) -> float | None:
        """Return the half-width of the interval that holds the true mean; None when unknown."""
        dof = whole_dof(self.dof)
        if self.u is None or dof < 1:
            return None
        return coverage_factor(dof, coverage) * self.u

    def agrees(self, coverage: float = DEFAULT_COVERAGE) -> bool | None:
        """Return whether the interval holds zero; None when it is unknown."""
        half = self.half_width(coverage)
        return None if half is None else abs(self.mean) <= half


@dataclass(frozen=True, slots=True)
class TimeBaseOffset:
    """Fractional offset of a counter's time base; positive: it is fast, the counter reads low."""

    counter: str
    offset: float
    u: float | None
    """Standard uncertainty, by the difference and the reference or the others; None if unknown."""


def difference_of(pair: MatchedPair) -> Difference | None:
    """Return the mean difference of two counters, of moments at which the signal did not jump.

    Its uncertainty is that by noise (`noise_of_difference`), by the last digit of each counter as
    far as noise does not spread the rounding errors (`rounding_u`), and by the motion of the
    signal: its rate times the error of the time between the two counters.

    Returns:
        None where the two have no reading in common.
    """
    apart = np.where(still(pair), pair.apart, np.nan)
    known = np.isfinite(apart)
    if not known.any():
        return None
    weights = np.ones(apart.size) if pair.counts is None else pair.counts
    weights = weights[known]
    noise = noise_of_difference(apart, pair.interval_s)
    u, dof = None, 1.0
    limited_by: LimitedBy = "noise"
    if noise is not None:
        digits = math.hypot(
            rounding_u(pair.first_offset, pair.resolutions[0]),
            rounding_u(pair.second_offset, pair.resolutions[1]),
        )
        motion = motion_u(pair)
        u = math.hypot(noise.u, digits, motion)
        if max(digits, motion) > noise.u:
            limited_by = "motion" if motion > digits else "digits"
        # Welch and Satterthwaite (GUM G.4.1): only the noise has finite degrees of freedom.
        dof = noise.dof * (u / noise.u) ** 4 if noise.u > 0 else math.inf
    return Difference(
        first=pair.first,
        second=pair.second,
        mean=float(np.average(apart[known], weights=weights)),
        u=u,
        dof=dof,
        readings=round(float(weights.sum())),
        limited_by=limited_by,
    )


def without_motion(pair: MatchedPair) -> MatchedPair:
    """Return the newer part of a pair, without an older one in which the signal moved.

    An oven that warmed up at first must not spoil what is read once it stands still. The older half
    is left out while its motion alone gives more uncertainty than the newer half has.
    """
    while pair.time_s.size >= 2 * FEWEST_STILL:
        middle = pair.time_s.size // 2
        newer = pair.rows(slice(middle, None))
        found = difference_of(newer)
        moved = motion_u(pair.rows(slice(middle)))
        if found is None or found.u is None or moved <= found.u:
            break
        pair = newer
    return pair


def motion_u(pair: MatchedPair) -> float:
    """Return the standard uncertainty by the motion of the signal, fractional."""
    return standard_uncertainty(rate_of(pair) * pair.dating_s, "rectangular")


def rounding_u(readings: FloatArray, step: float) -> float:
    """Return the standard uncertainty of the mean of `readings` by their rounding to `step`.

    Equal readings all have one rounding error, step/√12. Noise of σ before rounding spreads the
    errors: the mean's is then smaller by exp(-2π²σ²/step²), the characteristic function of normal
    noise at one step (Widrow and Kollár, Quantization Noise, 2008; from memory). A level between
    two digits makes readings toggle by as much as a variance of step²/4 without spreading anything,
    so that much is taken from the variance of the readings.

    Args:
        readings: as read, (n,); nan where one is missing.
        step: last digit, in the same unit; 0: not known, nothing is added.
    """
    changes = np.diff(readings)
    changes = np.abs(changes[np.isfinite(changes)])
    if not step > 0:
        return 0.0
    if changes.size:
        changes = np.minimum(changes, np.quantile(changes, 0.95))  # turns are no noise
    scatter = float(np.mean(changes**2)) / 2.0 if changes.size else 0.0
    before = max(scatter / (step * step) - 0.25, 0.0)
    return resolution_uncertainty(step) * math.exp(-2.0 * math.pi**2 * before)


def rate_of(pair: MatchedPair) -> float:
    """Return how fast the signal moved from the first to the last quarter, fractional a second."""
    known = np.isfinite(pair.apart)
    if not known.any():
        return 0.0
    level = (pair.first_offset[known] + pair.second_offset[known]) / 2.0
    times = pair.time_s[known]
    quarter = max(times.size // 4, 1)
    lasted_s = float(times[-quarter:].mean() - times[:quarter].mean())
    if not lasted_s > 0:
        return 0.0
    return abs(float(level[-quarter:].mean() - level[:quarter].mean())) / lasted_s


def mean_offset(readings: FloatArray) -> float:
    """Return the mean of one counter's readings, which is `read` in the functions below.

    Args:
        readings: fractional offsets, shape (n,); nan where a reading is missing.

    Returns:
        The mean fractional offset.

    Raises:
        NoReadings: all are missing.
    """
    known = readings[np.isfinite(readings)]
    if known.size == 0:
        raise NoReadings("a counter has no reading in common with the others.")
    return float(known.mean())


def time_base_offset(read: float, trusted: float, *, trusted_offset: float = 0.0) -> float:
    """Return the fractional offset of a counter's time base, by a counter on the reference.

    (1 + trusted)·(1 + trusted_offset) is the true frequency. Exact, and without cancellation.

    Args:
        read: fractional offset that the counter reads.
        trusted: fractional offset of the same signal that the counter on the reference reads.
        trusted_offset: known fractional offset of the reference.
    """
    return (trusted - read + trusted_offset * (1.0 + trusted)) / (1.0 + read)


def corrected(read: Offsets, time_base: Offsets) -> Offsets:
    """Return the true fractional offset behind `read`, for a time base off by `time_base`.

    (1 + read)·(1 + time_base) - 1: a counter reads low if its time base is fast. Of arrays, (n,),
    each element is corrected.
    """
    return read + time_base + read * time_base


def as_read(true: float, time_base: float) -> float:
    """Return the reading of a `true` fractional offset; the inverse of `corrected`."""
    return (true - time_base) / (1.0 + time_base)


def against_reference(
    found: Sequence[Difference],
    reference: str,
    read: float,
    u_reference: float | None = None,
    reference_offset: float = 0.0,
) -> tuple[TimeBaseOffset, ...]:
    """Return the offset of every other counter's time base, with `reference` on the reference.

    Args:
        found: the differences of all pairs.
        reference: the counter that runs on the reference.
        read: mean reading of that counter, fractional; see `mean_offset`.
        u_reference: standard uncertainty of the reference; with None that of the results is
            unknown too, for an error that both counters share is not in their difference.
        reference_offset: known fractional offset of the reference.
    """
    result = []
    for pair in found:
        if reference not in {pair.first, pair.second}:
            continue
        counter, sign = (pair.second, 1.0) if pair.first == reference else (pair.first, -1.0)
        offset = time_base_offset(read - sign * pair.mean, read, trusted_offset=reference_offset)
        known = pair.u is not None and u_reference is not None
        u = math.hypot(pair.u or 0.0, u_reference or 0.0) if known else None
        result.append(TimeBaseOffset(counter, offset, u))
    return tuple(result)


def odd_one_out(found: Sequence[Difference]) -> TimeBaseOffset | None:
    """Return the one of three or more counters that disagrees while all the others agree.

    It must lie apart from each other one at `SURE`, and the others must agree at `AGREEING`, each
    the coverage of all pairs together (Bonferroni). None when all agree, when more than one
    disagrees, or when a difference has no interval. The offset is that of the time base against
    the mean of the others, which may all be off together.
    """
    if len(found) < THREE_PAIRS:
        return None
    apart = [pair.agrees(of_all(SURE, len(found))) for pair in found]
    together = [pair.agrees(of_all(AGREEING, len(found))) for pair in found]
    names = dict.fromkeys(name for pair in found for name in (pair.first, pair.second))
    for name in names:
        with_it = [name in {pair.first, pair.second} for pair in found]
        if any(
            agrees is not False if mine else holds is not True
            for mine, agrees, holds in zip(with_it, apart, together, strict=True)
        ):
            continue
        mine = [pair for pair, its in zip(found, with_it, strict=True) if its]
        signs = [1.0 if pair.second == name else -1.0 for pair in mine]
        offset = math.fsum(s * pair.mean for s, pair in zip(signs, mine, strict=True)) / len(mine)
        # The pairs share this counter's own noise, so their mean is not better than the worst.
        return TimeBaseOffset(name, offset, max(pair.u or 0.0 for pair in mine))
    return None


def of_all(coverage: float, pairs: int) -> float:
    """Return the coverage of each of `pairs` intervals with which all together reach `coverage`."""
    return 1.0 - (1.0 - coverage) / max(pairs, 1)
