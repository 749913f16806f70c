"""Phase from offsets, and which stretches of it no gap interrupts."""

from dataclasses import dataclass

import numpy as np

from benchwatch.estimate.stability.results import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Phase:
    """Phase (time error) in units of the interval, a straight line removed.

    Second and third differences do not see a line, but rounding does: an offset of 1e-3 left
    in the sum would cost four digits.
    """

    x: FloatArray
    """N points, all finite; N - 1 intervals."""
    gaps: IntArray | None
    """Prefix count, (N,): missing intervals before each point; None without gaps."""

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
        edges = np.flatnonzero(
            np.diff(self.mask(span, stride).astype(np.int8), prepend=0, append=0)
        )
        return (edges[1::2] - edges[::2]).astype(np.int64)

    def mask(self, span: int, stride: int = 1) -> BoolArray:
        """Return which windows of `span` intervals touch no gap; only with gaps."""
        assert self.gaps is not None
        counts = self.gaps
        if len(counts) <= span:
            return np.zeros(0, dtype=bool)
        whole: BoolArray = counts[span:] == counts[: len(counts) - span]
        return whole[::stride]

    def segments(self) -> list[FloatArray]:
        """Return the stretches of phase between gaps, each of two points or more."""
        if self.gaps is None:
            return [self.x] if self.points > 1 else []
        missing = np.diff(self.gaps) > 0
        edges = np.flatnonzero(np.diff((~missing).astype(np.int8), prepend=0, append=0))
        starts, ends = edges[::2].tolist(), edges[1::2].tolist()
        return [self.x[start : end + 1] for start, end in zip(starts, ends, strict=True)]


def phase_of_offsets(offset: FloatArray) -> Phase:
    """Integrate fractional offsets, (n,), nan where missing, to n + 1 phase points.

    x = ∫y (IEEE 1139-2008, clause 2), of y less its mean.
    """
    y = np.asarray(offset, dtype=np.float64)
    missing = ~np.isfinite(y)
    x = np.zeros(y.size + 1)
    if not missing.any():
        if y.size:
            first = y - y[0]
            x[1:] = np.cumsum(first - first.mean(), dtype=np.longdouble)
        return Phase(x, None)
    known = y[~missing]
    if known.size:
        first = np.where(missing, 0.0, y - known[0])
        mean = first.sum() / known.size
        x[1:] = np.cumsum(np.where(missing, 0.0, first - mean), dtype=np.longdouble)
    return Phase(x, _prefix(missing))


def phase_of_phase(x_s: FloatArray, interval_s: float) -> Phase:
    """Take phase points in seconds, (N,), nan where missing."""
    x = np.asarray(x_s, dtype=np.float64)
    finite = np.isfinite(x)
    if not finite.any():
        return Phase(np.zeros(x.size), _prefix(np.ones(max(x.size - 1, 0), dtype=bool)))
    first, last = int(np.argmax(finite)), x.size - 1 - int(np.argmax(finite[::-1]))
    flat = x - x[first]
    flat /= interval_s
    if last > first:
        slope = flat[last] / (last - first)
        line = np.arange(-first, x.size - first, dtype=np.float64)
        line *= slope
        flat -= line
    if finite.all():
        return Phase(flat, None)
    missing, known = ~finite, np.flatnonzero(finite)
    nearest = known[np.maximum(np.searchsorted(known, np.arange(x.size), side="right") - 1, 0)]
    return Phase(flat[nearest], _prefix(missing[1:] | missing[:-1]))


def _prefix(missing: BoolArray) -> IntArray:
    return np.concatenate(([0], np.cumsum(missing, dtype=np.int64)))
