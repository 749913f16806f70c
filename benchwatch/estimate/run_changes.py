"""Turns of the trimmer and the warm-up in a recorded run, and its steady part.

Turns are the nudges that the live estimate confirms. It is given a long run as means of blocks, and
each turn is then placed among the single readings nearby, where a split into two means is most
likely.

With a settle limit, the run is settled since the time at which the live estimate gives the verdict.
Without one, a warm-up ends where the standard error of the mean of the rest is least (MSER: White
1997, An effective truncation heuristic for bias reduction in simulation output), if it stands out:
its first block lies further from the mean of the rest than six standard deviations of the rest's
blocks. No warm-up is reported that would leave less than a quarter of the run.
"""

import math
from bisect import bisect_left
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import BoolArray, FloatArray
from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.spikes import spikes
from benchwatch.reading import AS_FOUND, RecordKind

MOST_READINGS: Final = 4096
"""Most readings given to the estimate one by one; a longer run is given as so many block means."""
MOST_BLOCKS: Final = 100
"""Most blocks in which the end of a warm-up is searched for."""
FEWEST_IN_BLOCK: Final = 5
"""Fewest readings in such a block (MSER-5)."""
FEWEST_BLOCKS: Final = 12
"""Fewest blocks in which a warm-up is searched for."""
WARM_UP_SDS: Final = 6.0
"""Least distance of a warm-up's first block, in standard deviations of the blocks of the rest."""
SECOND_HALF_SHARE: Final = 0.8
"""A warm-up approaches the rest: its second half is off by less than this part of its first."""
LARGEST_WARM_UP_SHARE: Final = 0.75
"""Largest part of the searched readings that a warm-up may be."""


@dataclass(frozen=True, slots=True)
class Changes:
    """Times of the changes in a run; each is that of the first reading afterwards."""

    turns_s: tuple[float, ...] = ()
    settled_s: float | None = None
    """Time since which the run is settled to its end: by the limit, or after a warm-up that stands
    out. None: it is not settled at its end, or no warm-up stands out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyPart:
    """Readings without a turn among them; nan for a gap and for a reading that is left out."""

    times_s: list[float]
    offsets: list[float]
    """Fractional."""
    nudges: int
    """Turns before this part; 1 where the first turn of the run ends it."""
    spikes: int
    """Number of spikes left out of it."""
    settled_s: float | None
    """`Changes.settled_s`, where that lies in this part; else None."""

    @property
    def readings(self) -> int:
        """How many readings there are."""
        return sum(map(math.isfinite, self.offsets))

    def since(self, at_s: float) -> "SteadyPart":
        """Return the readings from `at_s` on; `spikes` is still that of the whole part."""
        first = bisect_left(self.times_s, at_s)
        return replace(
            self, times_s=self.times_s[first:], offsets=self.offsets[first:], settled_s=None
        )


def steady_part(
    times_s: FloatArray,
    offsets: FloatArray,
    kind: RecordKind,
    *,
    flagged: BoolArray,
    gate_s: float | None = None,
    settle: SettleLimit | None = None,
    resolution: float = 0.0,
) -> SteadyPart:
    """Return the readings after the last turn or, as found, those before the first.

    Args:
        times_s: seconds of each reading or gap, ascending, shape (n,).
        offsets: fractional, nan for a gap and for what is left out.
        kind: as found or as left.
        flagged: which are known to be spikes; those of `estimate.spikes` are found here.
        gate_s: gate of all readings; None when unknown.
        settle: what settled means; None: by the warm-up that stands out, if there is one.
        resolution: last digit of the readings as a fraction; 0 when unknown.
    """
    wild = spikes(offsets)
    values = np.where(wild, np.nan, offsets)
    found = find_changes(times_s, values, gate_s=gate_s, settle=settle, resolution=resolution)
    times = times_s.tolist()
    turns = [bisect_left(times, at_s) for at_s in found.turns_s]
    first, last, nudges = 0, len(times), len(turns)
    if turns and kind == AS_FOUND:
        last, nudges = turns[0], 1
    elif turns:
        first = turns[-1]
    kept_s = times[first:last]
    is_in_it = found.settled_s is not None and kept_s and kept_s[0] <= found.settled_s <= kept_s[-1]
    return SteadyPart(
        times_s=kept_s,
        offsets=values[first:last].tolist(),
        nudges=nudges,
        spikes=int((wild | flagged)[first:last].sum()),
        settled_s=found.settled_s if is_in_it else None,
    )


def find_changes(
    times_s: FloatArray,
    offsets: FloatArray,
    *,
    gate_s: float | None = None,
    settle: SettleLimit | None = None,
    resolution: float = 0.0,
) -> Changes:
    """Find the turns of a run, and the time since which it is settled.

    Args:
        times_s: seconds of each reading or gap, ascending, shape (n,).
        offsets: fractional, nan for a gap and for what is left out.
        gate_s: gate of all readings; None when unknown.
        settle: what settled means; None: by the warm-up that stands out, if there is one.
        resolution: last digit of the readings as a fraction; 0 when unknown.
    """
    size = max(math.ceil(offsets.size / MOST_READINGS), 1)
    times, means = _blocks(times_s, offsets, size)
    estimate = LiveEstimate(settle=settle)
    turns: list[float] = []
    settled_s: float | None = None
    step_s = float(np.median(np.diff(times))) if times.size > 1 else 0.0
    last_s: float | None = None
    missing = False
    for now_s, mean in zip(times.tolist(), means.tolist(), strict=True):
        if not math.isfinite(mean):
            missing = True
            continue
        if missing and last_s is not None:
            estimate.gap(max(now_s - last_s - step_s, 0.0))
        last_s, missing = now_s, False
        if size == 1:
            numbers = estimate.add(now_s, mean, gate_s=gate_s, resolution=resolution)
        else:
            numbers = estimate.add(now_s, mean)
        if numbers.confirmed_nudge is not None:
            turns.append(numbers.confirmed_nudge.at_s)
        verdict = numbers.settle
        settled_s = None if verdict is None or verdict.state != "settled" else verdict.since_s
    if size > 1:
        turns = [_placed(times_s, offsets, at_s, step_s) for at_s in turns]
    if settle is None:
        settled_s = _after_warm_up(times_s, offsets, turns)
    return Changes(tuple(turns), settled_s)


def _blocks(times_s: FloatArray, offsets: FloatArray, size: int) -> tuple[FloatArray, FloatArray]:
    """Return mean times and means of blocks of `size`; nan where half the readings are missing."""
    if size == 1:
        return times_s, offsets
    count = offsets.size // size
    values = offsets[: count * size].reshape(count, size)
    known = np.isfinite(values).sum(axis=1)
    level = np.nansum(values, axis=1) / np.maximum(known, 1)
    times = times_s[: count * size].reshape(count, size).mean(axis=1)
    return times, np.where(known * 2 > size, level, np.nan)


def _placed(times_s: FloatArray, offsets: FloatArray, at_s: float, step_s: float) -> float:
    """Place a turn between the two readings where a split into two means fits best."""
    low, high = np.searchsorted(times_s, [at_s - 2 * step_s, at_s + 2 * step_s]).tolist()
    known = low + np.flatnonzero(np.isfinite(offsets[low:high]))
    y = offsets[known]
    n = y.size
    if n < 4:
        return at_s
    sums, before = np.cumsum(y - y[0])[:-1], np.arange(1, n)
    total = float((y - y[0]).sum())
    apart = sums / before - (total - sums) / (n - before)
    gain = apart**2 * before * (n - before) / n
    return float(times_s[known[int(np.argmax(gain)) + 1]])


def _after_warm_up(times_s: FloatArray, offsets: FloatArray, turns: list[float]) -> float | None:
    """Return when a warm-up ends, before the first turn or else after the last; None: none."""
    first, last = (turns[0], turns[-1]) if turns else (math.inf, -math.inf)
    begin, end = np.searchsorted(times_s, [last, first]).tolist()
    for part in (slice(end), slice(begin, None)):
        ended = _warm_up_end(times_s[part], offsets[part])
        if ended is not None:
            return ended
    return None


def _warm_up_end(times_s: FloatArray, offsets: FloatArray) -> float | None:
    here, times, y = np.isfinite(offsets), times_s, offsets
    if not here.all():
        times, y = times_s[here], offsets[here]
    size = max(FEWEST_IN_BLOCK, math.ceil(y.size / MOST_BLOCKS))
    count = y.size // size
    if count < FEWEST_BLOCKS:
        return None
    means = np.array([(block - y[0]).mean() for block in y[: count * size].reshape(count, size)])
    left = count - np.arange(math.ceil(0.9 * count))
    tails = np.cumsum(means[::-1])[::-1][: left.size] / left
    squares = np.cumsum(means[::-1] ** 2)[::-1][: left.size] / left - tails**2
    cut = int(np.argmin(np.maximum(squares, 0.0) / left))
    if cut == 0 or cut > LARGEST_WARM_UP_SHARE * count:
        return None
    rest = means[cut:]
    if abs(float(means[0] - rest.mean())) < WARM_UP_SDS * float(rest.std()):
        return None
    # A level that stays away and then steps is no warm-up, but a tool or a turn.
    away = np.abs(means[:cut] - rest.mean())
    if away[(cut + 1) // 2 :].sum() > SECOND_HALF_SHARE * away[: cut // 2].sum() and cut > 1:
        return None
    return float(times[cut * size])
