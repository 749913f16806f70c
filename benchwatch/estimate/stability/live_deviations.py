"""The deviations of a live run, at averaging factors 1, 2, 4 ...

Each reading costs the same however long the run (Dobrogowski and Kasznia 2007): with phase x
and its running sum C, each averaging factor m adds one square,

    oadev  (x[i] − 2x[i−m] + x[i−2m])² / 2m²
    ohdev  (x[i] − 3x[i−m] + 3x[i−2m] − x[i−3m])² / 6m²
    mdev   (C[i] − 3C[i−m] + 3C[i−2m] − C[i−3m])² / 2m⁴

x and C grow without bound while their differences do not, so both are whole numbers of
2^-100: nothing is lost after any number of readings, and no reference offset is needed.

Up to m = 256 every difference is taken, so that the result is that of the whole run. Above it every
(m/256)-th is, from 1024 points or more of every (m/256)-th phase: memory grows with
the logarithm of the run, and the degrees of freedom of FM noise by less than one in a thousand.
"""

import math
from typing import Final

import numpy as np

from benchwatch.estimate.sample_variances import ALLAN_DIVISOR, HADAMARD_DIVISOR
from benchwatch.estimate.stability.confidence import Terms, chi2_limits, degrees_of_freedom
from benchwatch.estimate.stability.deviation_kinds import DEVIATIONS, LIVE_KINDS, DeviationKind
from benchwatch.estimate.stability.deviation_point import NOISES, ONE_SIGMA, Deviation
from benchwatch.estimate.stability.noise_id import FEWEST_POINTS, SHORTEST_RUN_TAUS, ratio_alpha

LARGEST_FULL_FACTOR: Final = 256
"""Averaging factor up to which every difference is taken."""
PLAIN, MODIFIED = DEVIATIONS["oadev"], DEVIATIONS["mdev"]
"""The ratio of their variances identifies the noise."""
LARGEST_OFFSET: Final = 1e9
"""Fractional; a larger value is no offset, and is taken as missing."""

_RING_POINTS: Final = 3 * LARGEST_FULL_FACTOR + 1
"""Points that are kept, at least: as many as the longest difference needs."""
_DROPPED_AT_ONCE: Final = 255
"""Points that are dropped together, so that dropping costs little; until then they are kept too."""
_BITS: Final = 100
_SQUARE_UNIT: Final = 2.0 ** (-2 * _BITS)


class _RunningSums:
    """Squares of one kind of difference summed so far, and their number, at some factors.

    Args:
        order: of the difference of phase; of its running sum, one more.
        modified: phase is averaged.
        factors: how many averaging factors.
    """

    def __init__(self, order: int, *, modified: bool, factors: int) -> None:
        self.squares = [0.0] * factors
        self.before = [0] * factors
        """Terms of the runs of points that are over."""
        self.reach = order + modified
        """Distances that a difference takes."""
        self.divisor = ALLAN_DIVISOR if order == 2 else HADAMARD_DIVISOR
        self.power = 4 if modified else 2
        """Of the averaging factor, by which the squares are divided."""


class _PhaseLevel:
    """Sums of squares at some averaging factors, from phase at every `stride`-th reading.

    C[i] is the sum of the phases before point i, so that C[0] = 0. The level with every reading
    holds C[i+1] beside x[i], so that its newest difference is not a reading late.

    Args:
        stride: readings from point to point.
        distances: averaging factors, in points, shortest first.
    """

    def __init__(self, stride: int, distances: list[int]) -> None:
        self.stride = stride
        self.distances = distances
        self._lead = 1 if stride == 1 else 0
        # Where x[i−m], x[i−2m], x[i−3m] stand, counted from the end of the list.
        self._spans = [
            (k, 2 * d, 3 * d, -1 - d, -1 - 2 * d, -1 - 3 * d) for k, d in enumerate(distances)
        ]
        self._sums = {
            (order, modified): _RunningSums(order, modified=modified, factors=len(distances))
            for order, modified in ((2, False), (2, True), (3, False))
        }
        self._squares = [sums.squares for sums in self._sums.values()]
        self._x: list[int] = []
        self._c: list[int] = [0] * self._lead
        self._count = 0

    def add(self, x: int, c: int) -> None:
        """Take the next phase and the sum before it."""
        xs, cs = self._x, self._c
        c = c + x if self._lead else c
        xs.append(x)
        cs.append(c)
        self._count += 1
        if len(xs) > _RING_POINTS + _DROPPED_AT_ONCE:
            del xs[:_DROPPED_AT_ONCE], cs[:_DROPPED_AT_ONCE]
        held, held_sums = len(xs), len(cs)
        plain, modified, third = self._squares
        for k, two, three, at1, at2, at3 in self._spans:
            if held <= two:
                return
            x1 = xs[at1]
            step = x1 - xs[at2]
            d = float(x - x1 - step)
            plain[k] += d * d
            if held_sums > three:
                d = float(c - cs[at3] - 3 * (cs[at1] - cs[at2]))
                modified[k] += d * d
                if held > three:
                    d = float(x - xs[at3] - 3 * step)
                    third[k] += d * d

    def restart(self) -> None:
        """Begin a new run of points; what was summed stays."""
        for sums in self._sums.values():
            sums.before[:] = [self._terms(sums, k) for k in range(len(sums.before))]
        self._x.clear()
        self._c[:] = [0] * self._lead
        self._count = 0

    def coarser(self) -> "_PhaseLevel":
        """Return a level of twice the stride that has taken all points so far."""
        level = _PhaseLevel(2 * self.stride, [LARGEST_FULL_FACTOR])
        for point in range(0, len(self._x), 2):
            x = self._x[point]
            level.add(x, self._c[point + self._lead] - self._lead * x)
        return level

    def terms(self, kind: DeviationKind, k: int) -> int:
        """Count the terms of the `k`-th averaging factor."""
        return self._terms(self._sums[kind.order, kind.modified], k)

    def variance(self, kind: DeviationKind, k: int) -> float:
        """Return a variance at the `k`-th averaging factor; nan without terms."""
        sums = self._sums[kind.order, kind.modified]
        n, m = self._terms(sums, k), self.distances[k] * self.stride
        factor = sums.divisor * m**sums.power
        return sums.squares[k] / factor / n * _SQUARE_UNIT if n else math.nan

    def _terms(self, sums: _RunningSums, k: int) -> int:
        lost = sums.reach * self.distances[k] - (self._lead if sums.power == 4 else 0)
        return sums.before[k] + max(self._count - lost, 0)


class LiveDeviations:
    """The deviations of a live run, updated with each reading.

    Args:
        interval_s: time from reading to reading.
    """

    def __init__(self, interval_s: float) -> None:
        self._interval_s = interval_s
        octaves = [1 << k for k in range(LARGEST_FULL_FACTOR.bit_length())]
        self._levels = [_PhaseLevel(1, octaves)]
        self._points = 0
        self._since_gap = 0
        self._x = self._c = 0

    def add(self, offset: float) -> None:
        """Take one reading, as a fraction; one that is no number is a gap."""
        if not abs(offset) < LARGEST_OFFSET:
            self.gap()
            return
        if self._since_gap == 0:
            self._put(0)
        self._c += self._x
        self._x += int(math.ldexp(offset, _BITS))
        self._since_gap += 1
        self._points += 1
        self._put(self._since_gap)

    def gap(self) -> None:
        """Begin a new run of points after a gap; no difference reaches across it."""
        if self._since_gap:
            for level in self._levels:
                level.restart()
        self._since_gap = self._x = self._c = 0

    def _put(self, count: int) -> None:
        for level in self._levels:
            if count % level.stride:
                return
            level.add(self._x, self._c)
        if count == 2 * LARGEST_FULL_FACTOR * self._levels[-1].stride:
            self._levels.append(self._levels[-1].coarser())

    def table(self, confidence: float = ONE_SIGMA) -> tuple[Deviation, ...]:
        """Return each live deviation at each averaging time so far, shortest first.

        With gaps the limits are a little wide: the terms are counted as one run.
        """
        rows: list[list[Deviation]] = [[] for _ in LIVE_KINDS]
        alpha = None
        for level in self._levels:
            for k, distance in enumerate(level.distances):
                m = distance * level.stride
                alpha = self._noise(level, k, m, alpha)
                for kind, known in zip(LIVE_KINDS, rows, strict=True):
                    if n := level.terms(kind, k):
                        terms = Terms(name=kind.name, m=m, runs=np.array([n]), stride=level.stride)
                        square = level.variance(kind, k)
                        known.append(self._row(terms, square, alpha, confidence))
        return tuple(row for known in rows for row in known)

    def _noise(self, level: _PhaseLevel, k: int, m: int, shorter: int | None) -> int | None:
        """Identify the noise; at m = 1, where both variances are equal, it is that at m = 2."""
        if self._points < FEWEST_POINTS:
            return None
        if m == 1:
            k, m = 1, 2
        if self._points < SHORTEST_RUN_TAUS * m or not level.terms(MODIFIED, k):
            return shorter
        return ratio_alpha(level.variance(MODIFIED, k), level.variance(PLAIN, k), m)

    def _row(self, terms: Terms, square: float, alpha: int | None, confidence: float) -> Deviation:
        value = math.sqrt(square)
        low = high = edf = noise = None
        if value > 0:
            known = None if alpha is None else max(alpha, terms.kind.lowest_alpha)
            edf = degrees_of_freedom(terms, known)
            low, high = chi2_limits(value, edf, confidence)
            noise = None if known is None else NOISES[known]
        tau_s = terms.m * self._interval_s
        return Deviation(
            deviation=terms.name,
            tau_s=tau_s,
            value=value,
            low=low,
            high=high,
            confidence=confidence,
            edf=edf,
            n=terms.count,
            noise=noise,
        )
