"""Matching of the readings of two counters on one signal, whatever their gates and rates.

The readings of the slower counter set the moments. What the faster one read then is its mean over
the slower one's gate where several of its readings fit into that, and else its nearest reading,
carried to that moment along the slope of the readings around it. So a signal that drifts evenly
drops out of the difference of two counters that are read at different moments. One that jumps does
not: the moments around a jump are left out (`still`). How well two counters are dated against
each other is not known better than to `DATING_S` and a share of the difference of their gates;
times the rate at which the signal moves, that is a part of the uncertainty of the difference.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray
from benchwatch.estimate.comparison.matched_readings import match_times

DATING_S: Final = 0.05
"""Half-width of the error of the time between the readings of two counters."""
GATE_SHARE: Final = 0.05
"""The same as a share of the difference of their gates."""
SAME_MOMENT: Final = 0.02
"""Readings nearer than this part of their spacing are of one moment."""
SLOPE_READINGS: Final = 4
"""Readings on either side of one that its slope is taken from."""
LONGEST_STEP: Final = 1.5
"""Spacings; in a longer step between two readings, some are missing."""
SEVERAL: Final = 1.5
"""Readings of the faster counter in a gate of the slower one from which on their mean counts."""
LEAST_COVERED: Final = 0.75
"""Part of that gate that must be covered by readings."""
JUMP_SCALES: Final = 8.0
"""A change of the signal's pace by so many times its usual scatter is a jump."""
FEWEST_FOR_JUMPS: Final = 8
NORMAL_MEDIAN: Final = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CounterReadings:
    """Readings of one counter, arrays of shape (n,); times ascend."""

    name: str
    time_s: FloatArray
    """Middle of each gate, on a clock that all counters share."""
    offset: FloatArray
    """As read, fractional, uncorrected; nan where a reading is not used."""
    own: FloatArray
    """1 for a reading that the counter's own oscillator counted, else 0."""
    gate_s: float | None = None
    """None: not known."""
    spacing_s: float
    """Usual time from reading to reading."""
    resolution: float = 0.0
    """Last digit, as a fraction of the nominal; 0: not known."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MatchedPair:
    """Readings of two counters at the same moments, (n,); nan between two that do not follow."""

    first: str
    second: str
    time_s: FloatArray
    first_offset: FloatArray
    second_offset: FloatArray
    first_own: FloatArray
    second_own: FloatArray
    interval_s: float
    """Usual time from one moment to the next; nan with fewer than two."""
    dating_s: float = DATING_S
    """Half-width of the error of the time between the two."""
    resolutions: tuple[float, float] = (0.0, 0.0)
    gate_s: float | None = None
    """The gate that both have; None: unequal or not known."""
    at_once: bool = False
    """Whether all readings were taken at the same moments with the same gate."""
    counts: FloatArray | None = None
    """Matched readings in each element; None: one in each that is a number. With counts the moments
    around jumps are left out already."""

    @property
    def apart(self) -> FloatArray:
        """The readings of `first` less those of `second`."""
        return self.first_offset - self.second_offset

    def rows(self, which: slice) -> "MatchedPair":
        """Return some of the matched readings."""
        return replace(
            self,
            time_s=self.time_s[which],
            first_offset=self.first_offset[which],
            second_offset=self.second_offset[which],
            first_own=self.first_own[which],
            second_own=self.second_own[which],
            counts=None if self.counts is None else self.counts[which],
        )


def since_change(pair: MatchedPair) -> MatchedPair:
    """Return what was read since the time base of one of the two changed last."""
    known = np.flatnonzero(np.isfinite(pair.apart))
    own = np.vstack((pair.first_own, pair.second_own))[:, known]
    changes = np.flatnonzero(np.any(np.diff(own) != 0.0, axis=0))
    return pair.rows(slice(known[changes[-1] + 1], None)) if changes.size else pair


def match_pair(first: CounterReadings, second: CounterReadings) -> MatchedPair:
    """Match the readings of two counters.

    Args:
        first: the counter whose readings count positive.
        second: the other one.
    """
    base, other = (first, second) if first.spacing_s >= second.spacing_s else (second, first)
    usable = np.isfinite(base.offset)
    times, values = base.time_s[usable], base.offset[usable]
    matched, at_once = offsets_at(times, base, other)
    nearest = np.clip(np.searchsorted(other.time_s, times), 0, max(other.time_s.size - 1, 0))
    own = other.own[nearest] if other.own.size else np.full(times.size, np.nan)
    fit = np.isfinite(matched)
    rows = np.vstack((times, values, matched, base.own[usable], own))[:, fit]
    rows, interval_s = _with_breaks(rows)
    here, there = (1, 2) if base is first else (2, 1)
    gates = {first.gate_s, second.gate_s}
    return MatchedPair(
        first=first.name,
        second=second.name,
        time_s=rows[0],
        first_offset=rows[here],
        second_offset=rows[there],
        first_own=rows[here + 2],
        second_own=rows[there + 2],
        interval_s=interval_s,
        dating_s=dating_of(first, second),
        resolutions=(first.resolution, second.resolution),
        gate_s=first.gate_s if len(gates) == 1 else None,
        at_once=at_once and len(gates) == 1,
    )


def match_within(first: CounterReadings, second: CounterReadings, window_s: float) -> MatchedPair:
    """Match each reading of `first` with the nearest of `second`, up to `window_s` away."""
    usable = [np.flatnonzero(np.isfinite(one.offset)) for one in (first, second)]
    times = [one.time_s[rows] for one, rows in zip((first, second), usable, strict=True)]
    found = match_times(times, window_s)
    at = [rows[found[:, column]] for column, rows in enumerate(usable)]
    rows = np.vstack((
        first.time_s[at[0]], first.offset[at[0]], second.offset[at[1]], first.own[at[0]],
        second.own[at[1]],
    ))  # fmt: skip
    rows, interval_s = _with_breaks(rows)
    return MatchedPair(
        first=first.name,
        second=second.name,
        time_s=rows[0],
        first_offset=rows[1],
        second_offset=rows[2],
        first_own=rows[3],
        second_own=rows[4],
        interval_s=interval_s,
        dating_s=DATING_S + float(np.max(np.abs(times[0][found[:, 0]] - times[1][found[:, 1]])))
        if len(found)
        else DATING_S,
        resolutions=(first.resolution, second.resolution),
        gate_s=first.gate_s if first.gate_s == second.gate_s else None,
    )


def _with_breaks(rows: FloatArray) -> tuple[FloatArray, float]:
    """Put a column of nan where moments are missing; rows: times first, (k, n).

    Returns:
        The rows, and the usual time from one moment to the next; nan with fewer than two.
    """
    steps = np.diff(rows[0])
    interval_s = float(np.median(steps)) if steps.size else math.nan
    breaks = np.flatnonzero(steps > LONGEST_STEP * interval_s) + 1
    return np.insert(rows, breaks, np.nan, axis=1), interval_s


def offsets_at(
    times: FloatArray, base: CounterReadings, other: CounterReadings
) -> tuple[FloatArray, bool]:
    """Return what `other` read at the `times` of readings of `base`, nan where it read nothing.

    Returns:
        Fractional offsets, shaped as `times`; and whether each is a reading of that very moment.
    """
    known = np.isfinite(other.offset)
    at, offset = other.time_s[known], other.offset[known]
    if at.size == 0:
        return np.full(times.size, np.nan), False
    span_s = base.spacing_s if base.gate_s is None else min(base.gate_s, base.spacing_s)
    if span_s >= SEVERAL * other.spacing_s:
        return _means_over(times, span_s, at, offset, other.spacing_s), False
    after = np.clip(np.searchsorted(at, times), 1, max(at.size - 1, 1))
    before = after - 1
    after = np.minimum(after, at.size - 1)
    near = np.where(times - at[before] <= at[after] - times, before, after)
    lag_s = times - at[near]
    same = np.abs(lag_s) <= SAME_MOMENT * other.spacing_s
    reaches = np.abs(lag_s) <= LONGEST_STEP * other.spacing_s / 2.0
    carried = offset[near] + np.where(same, 0.0, lag_s * slopes(at, offset, other.spacing_s)[near])
    return np.where(reaches, carried, np.nan), bool(np.all(same | ~reaches))


def slopes(at: FloatArray, offset: FloatArray, spacing_s: float) -> FloatArray:
    """Return the slope of readings around each one, a second; that of the nearest at the ends.

    It is that of the line through `SLOPE_READINGS` readings on either side, and zero where some
    of these are missing.
    """
    reach = SLOPE_READINGS
    if at.size <= 2 * reach:
        return np.zeros(at.size)
    weights = np.arange(-reach, reach + 1) / (sum(k * k for k in range(-reach, reach + 1)))
    inner = np.convolve(offset - offset[0], weights[::-1], mode="valid") / spacing_s
    lasted_s = at[2 * reach :] - at[: -2 * reach]
    inner = np.where(lasted_s <= 2 * reach * LONGEST_STEP * spacing_s, inner, 0.0)
    return np.concatenate((np.full(reach, inner[0]), inner, np.full(reach, inner[-1])))


def _means_over(
    times: FloatArray, span_s: float, at: FloatArray, offset: FloatArray, spacing_s: float
) -> FloatArray:
    """Return the means of a counter's readings over `span_s` around each time, nan where too few.

    Each reading stands for the time around it, up to half way to its neighbours, so that the
    readings at both ends of the span count in part.
    """
    half_s = spacing_s / 2.0
    middle = (at[1:] + at[:-1]) / 2.0
    follows = np.diff(at) <= LONGEST_STEP * spacing_s
    begin = np.concatenate(([at[0] - half_s], np.where(follows, middle, at[1:] - half_s)))
    end = np.concatenate((np.where(follows, middle, at[:-1] + half_s), [at[-1] + half_s]))
    edges = np.column_stack((begin, end)).ravel()
    widths = end - begin
    covered = _running(widths)
    summed = _running(widths * (offset - offset[0]))
    low, high = times - span_s / 2.0, times + span_s / 2.0
    here_s = np.interp(high, edges, covered) - np.interp(low, edges, covered)
    total = np.interp(high, edges, summed) - np.interp(low, edges, summed)
    enough = here_s >= LEAST_COVERED * span_s
    return np.where(enough, offset[0] + total / np.where(enough, here_s, 1.0), np.nan)


def _running(amounts: FloatArray) -> FloatArray:
    """Return the sum up to each edge of cells, (2n,): flat from the end of one to the next."""
    sums = np.concatenate(([0.0], np.cumsum(amounts)))
    return np.column_stack((sums[:-1], sums[1:])).ravel()


def dating_of(first: CounterReadings, second: CounterReadings) -> float:
    """Return the half-width of the error of the time between the readings of two counters, s."""
    gates = (first.gate_s, second.gate_s)
    if gates[0] is not None and gates[1] is not None:
        return DATING_S + GATE_SHARE * abs(gates[0] - gates[1])
    if gates == (None, None):
        return DATING_S + GATE_SHARE * abs(first.spacing_s - second.spacing_s)
    # The middle of a gate that one of them does not tell is somewhere between two readings.
    unknown = first if first.gate_s is None else second
    return DATING_S + unknown.spacing_s / 2.0


def still(pair: MatchedPair) -> BoolArray:
    """Return at which moments the signal did not jump, so that both counters read the same of it.

    A jump (a turn of the trimmer, the tool put on) stands out in the second difference of what
    both read, over its own scatter and over that of their difference. Readings taken at once with
    one gate need no such care.
    """
    kept = np.isfinite(pair.apart)
    done = pair.at_once or pair.counts is not None
    if done or np.count_nonzero(kept) < FEWEST_FOR_JUMPS:
        return kept
    level = (pair.first_offset + pair.second_offset) / 2.0
    bends = np.abs(np.diff(level, 2))
    of_difference = np.abs(np.diff(pair.apart, 2))
    known = np.isfinite(bends)
    if not known.any():
        return kept
    scale = NORMAL_MEDIAN * max(
        float(np.median(bends[known])), float(np.median(of_difference[known])), *pair.resolutions
    )
    if not scale > 0:
        moving = bends[known & (bends > 0)]
        scale = float(np.median(moving)) if moving.size else 1.0
    jumps = np.flatnonzero(known & (bends > JUMP_SCALES * scale)) + 1
    around = np.arange(-SLOPE_READINGS, SLOPE_READINGS + 1)
    kept[np.clip(jumps[:, None] + around, 0, kept.size - 1)] = False
    return kept
