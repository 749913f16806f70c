"""Phase from offsets or measured phase, and its stretches free of gaps."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchwatch.estimate.array_types import BoolArray, FloatArray, IntArray
from benchwatch.estimate.stability.gap_bridges import LONGEST_GAP_READINGS, READINGS_BESIDE, bridge

CountArray = NDArray[np.int32] | NDArray[np.int64]
"""Counts of readings; the narrow ones take half of the memory of a long run."""

CLEAN_SHARE: Final = 0.5
"""Share of differences free of gaps from which on only these are used."""
MISSING_SHARE: Final = 0.25
"""Largest share of an average that may be filled."""
SUMMED_AT_ONCE: Final = 1 << 14
"""Offsets that are summed up at once."""
SHORTEST_BRIDGED: Final = 2 * READINGS_BESIDE
"""Averaging factor from which on errors of filled gaps are hardly correlated with sums."""


@dataclass(frozen=True, slots=True, eq=False)
class Bridges:
    """Which gaps were filled, with what error, and which were not."""

    unbridged: CountArray
    """Prefix count, (N,): intervals before each point that no difference reaches across."""
    error: FloatArray
    """Prefix sum, (N,), of the variance that filled gaps add to a sum."""
    breaks: CountArray
    """Prefix count, (N,), of intervals at which the run is cut where it is prolonged."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Phase:
    """Phase (time error) in units of the interval, a straight line removed.

    Second and third differences do not see a line, but rounding does: an offset of 1e-3 left
    in the sum would cost four digits.
    """

    x: FloatArray
    """N points, all finite; N - 1 intervals."""
    gaps: CountArray | None
    """Prefix count, (N,): missing intervals before each point; None without gaps."""
    bridges: Bridges | None = None
    """None when gaps are not bridged."""
    known: BoolArray | None = None
    """Which points were measured, (N,), for measured phase: it continues through a gap, and only
    points are missing. The others are interpolated. None for phase from offsets."""

    @property
    def points(self) -> int:
        """Count the phase points, N."""
        return len(self.x)

    def whole(self, span: int, stride: int = 1) -> IntArray:
        """Return the lengths of the runs of windows of `span` intervals that touch no gap.

        Windows begin at every `stride`-th point.
        """
        count = (self.points - 1 - span) // stride + 1 if self.points > span else 0
        if self.gaps is None:
            return np.array([count] if count > 0 else [], dtype=np.int64)
        return run_lengths(self.mask(span, stride))

    def mask(self, span: int, stride: int = 1) -> BoolArray:
        """Return which windows of `span` intervals touch no gap; only with gaps."""
        assert self.gaps is not None
        counts = self.gaps
        if len(counts) <= span:
            return np.zeros(0, dtype=bool)
        whole: BoolArray = counts[span:] == counts[: len(counts) - span]
        return whole[::stride]

    def bridged(self, m: int, windows: int, span: int, *, whole: bool = False) -> BoolArray | None:
        """Return which windows of `span` intervals may reach across filled gaps at factor `m`.

        Args:
            m: averaging factor.
            windows: how many averages of `m` intervals, side by side, are compared.
            span: intervals that a difference takes; `windows`·m where it takes points only.
            whole: reach across even where windows free of gaps are many.

        Returns:
            None where only windows free of gaps are to be used: they are many enough, or the
            averages are too short, or no gap was filled.
        """
        if self.gaps is None or self.bridges is None or self.points <= span:
            return None
        unbridged, counts = self.bridges.unbridged, self.gaps
        usable: BoolArray = unbridged[span:] == unbridged[: len(unbridged) - span]
        if self.known is not None and span == windows * m:
            for k in range(windows + 1):
                usable = usable & self.known[k * m : k * m + len(usable)]
            return usable
        if self.known is not None:
            cuts, counts = self.bridges.breaks, _prefix(~self.known)[:-1]
            usable = cuts[span:] == cuts[: len(cuts) - span]
        elif m < SHORTEST_BRIDGED:
            return None
        clean = counts[span:] == counts[: len(counts) - span]
        if not whole and clean.sum() >= CLEAN_SHARE * usable.sum():
            return None
        full = counts[m:] - counts[: len(counts) - m] <= MISSING_SHARE * m
        for k in range(windows):
            usable = usable & full[k * m : k * m + len(usable)]
        return usable

    def segments(self, *, bridged: bool = False) -> list[FloatArray]:
        """Return the stretches of phase between gaps, each of two points or more.

        Args:
            bridged: across gaps that are bridged.
        """
        if self.gaps is None:
            return [self.x] if self.points > 1 else []
        prefix = self.bridges.breaks if bridged and self.bridges is not None else self.gaps
        missing = np.diff(prefix) > 0
        edges = np.flatnonzero(np.diff((~missing).astype(np.int8), prepend=0, append=0))
        starts, ends = edges[::2].tolist(), edges[1::2].tolist()
        return [self.x[start : end + 1] for start, end in zip(starts, ends, strict=True)]


def phase_of_offsets(offset: FloatArray, *, bridged: bool = False) -> Phase:
    """Integrate fractional offsets, (n,), nan where missing, to n + 1 phase points.

    x = ∫y (IEEE 1139-2008, clause 2), of y less its mean.

    Args:
        offset: one for each interval, so that a long gap has as many nan.
        bridged: bridge short gaps, so that they cost short averages only.
    """
    y = np.asarray(offset, dtype=np.float64)
    missing = ~np.isfinite(y)
    if not missing.any():
        x = np.zeros(y.size + 1)
        if y.size:
            np.subtract(y, y[0], out=x[1:])
            _sum_up(x[1:], x[1:].mean())
        return Phase(x=x, gaps=None)
    count = y.size - int(np.count_nonzero(missing))
    if not count:
        return Phase(x=np.zeros(y.size + 1), gaps=_prefix(missing))
    bridges, unbridged = None, missing
    if bridged:
        made = bridge(np.where(missing, np.nan, y))
        filled, unbridged = made.values, made.unbridged
        not_reached = _prefix(unbridged)
        bridges = Bridges(not_reached, _running_sum(made.error), not_reached)
    else:
        filled = np.where(missing, 0.0, y)
    filled -= y[int(np.argmin(missing))]
    filled[unbridged] = 0.0
    mean = filled[~missing].sum() / count
    x = np.zeros(y.size + 1)
    np.subtract(filled, mean, out=x[1:])
    x[1:][unbridged] = 0.0
    _sum_up(x[1:], 0.0)
    return Phase(x=x, gaps=_prefix(missing), bridges=bridges)


def phase_of_phase(
    x_s: FloatArray,
    interval_s: float,
    *,
    runs_on: bool = False,
    unbridged: BoolArray | None = None,
) -> Phase:
    """Take phase points in seconds, (N,), nan where missing.

    Args:
        x_s: the points.
        interval_s: from one to the next.
        runs_on: use differences of measured points even if points between them are missing.
        unbridged: intervals that no difference may reach across even so, (N - 1,).
    """
    x = np.asarray(x_s, dtype=np.float64)
    finite = np.isfinite(x)
    if not finite.any():
        gaps = np.ones(max(x.size - 1, 0), dtype=bool)
        return Phase(x=np.zeros(x.size), gaps=_prefix(gaps))
    first, last = int(np.argmax(finite)), x.size - 1 - int(np.argmax(finite[::-1]))
    flat = x - x[first]
    flat /= interval_s
    if last > first:
        slope = flat[last] / (last - first)
        line = np.arange(-first, x.size - first, dtype=np.float64)
        line *= slope
        flat -= line
    if finite.all() and unbridged is None:
        return Phase(x=flat, gaps=None)
    missing, known = ~finite, np.flatnonzero(finite)
    gaps = missing[1:] | missing[:-1]
    if not runs_on:
        nearest = known[np.maximum(np.searchsorted(known, np.arange(x.size), side="right") - 1, 0)]
        return Phase(x=flat[nearest], gaps=_prefix(gaps))
    at = np.arange(x.size, dtype=np.float64)
    flat = np.interp(at, at[known], flat[known])
    closed = np.zeros(x.size - 1, dtype=bool) if unbridged is None else unbridged
    lengths = np.diff(known)
    cut = closed.copy()
    for place in np.flatnonzero(lengths > LONGEST_GAP_READINGS + 1).tolist():
        cut[known[place] : known[place + 1]] = True
    bridges = Bridges(_prefix(closed), np.zeros(x.size), _prefix(cut))
    return Phase(x=flat, gaps=_prefix(gaps | closed), bridges=bridges, known=finite)


def run_lengths(mask: BoolArray) -> IntArray:
    """Return the lengths of the runs of True."""
    edges = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    return (edges[1::2] - edges[::2]).astype(np.int64)


def _sum_up(values: FloatArray, mean: float) -> None:
    """Replace values by the running sums of what they exceed `mean` by, in place.

    The sums are of long doubles, block by block: a run may be long, and its copies large.
    """
    total = np.longdouble(0.0)
    for start in range(0, values.size, SUMMED_AT_ONCE):
        part = values[start : start + SUMMED_AT_ONCE]
        sums = np.concatenate(([total], part - mean))
        np.cumsum(sums, out=sums)
        part[:] = sums[1:]
        total = sums[-1]


def _running_sum(values: FloatArray) -> FloatArray:
    """Return the sums of the values before each of n + 1 points."""
    sums = np.zeros(values.size + 1)
    np.cumsum(values, out=sums[1:])
    return sums


def _prefix(missing: BoolArray) -> CountArray:
    """Return how many are missing before each of n + 1 points."""
    wide = missing.size >= 1 << 31
    size = missing.size + 1
    counts: CountArray = np.zeros(size, dtype=np.int64) if wide else np.zeros(size, dtype=np.int32)
    np.cumsum(missing, out=counts[1:])
    return counts
