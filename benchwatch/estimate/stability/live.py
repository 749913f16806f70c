"""OADEV, MDEV and OHDEV of a run that is still going on, at averaging factors 1, 2, 4 ...

Each reading costs the same however long the run (Dobrogowski and Kasznia 2007): with phase x
and its running sum C, each averaging factor m adds one square,

    oadev  (x[i] − 2x[i−m] + x[i−2m])² / 2m²
    ohdev  (x[i] − 3x[i−m] + 3x[i−2m] − x[i−3m])² / 6m²
    mdev   (C[i] − 3C[i−m] + 3C[i−2m] − C[i−3m])² / 2m⁴

x and C grow without bound while their differences do not, so both are whole numbers of
2^-100: nothing is lost after any number of readings, and no reference offset is needed.

Up to m = 256 every term is taken, so that the result is that of the whole run. Above it every
(m/256)-th is, from rings of 1024 points that hold every (m/256)-th phase: memory grows with
the logarithm of the run, and the degrees of freedom of FM noise by less than one in a thousand.
"""

import math
from typing import Final

import numpy as np

from benchwatch.estimate.stability.confidence import Terms, chi2_limits, degrees_of_freedom
from benchwatch.estimate.stability.noise_id import FEWEST, SHORTEST, ratio_alpha
from benchwatch.estimate.stability.results import (
    NOISES,
    ONE_SIGMA,
    Deviation,
    Name,
    lowest_alpha,
)

LARGEST_FULL: Final = 256
"""Averaging factor up to which every term is taken."""
LARGEST_OFFSET: Final = 1e9
"""Nothing above is an offset; it is taken as missing."""

_RING: Final = 1024
_WRAP: Final = _RING - 1
_BITS: Final = 100
_UNIT: Final = 2.0**-_BITS


class _Sums:
    """Sums of squares at one averaging factor."""

    __slots__ = ("distance", "m", "mdev", "n_mdev", "n_oadev", "n_ohdev", "oadev", "ohdev")

    def __init__(self, m: int, distance: int) -> None:
        self.m = m
        self.distance = distance
        """Of neighbouring points, in places of the ring."""
        self.oadev = self.ohdev = self.mdev = 0.0
        self.n_oadev = self.n_ohdev = self.n_mdev = 0

    def mean(self, name: Name) -> tuple[float, int]:
        """Return a variance and how many terms it has; nan when none."""
        total, n = {
            "oadev": (self.oadev / (2.0 * self.m**2), self.n_oadev),
            "mdev": (self.mdev / (2.0 * self.m**4), self.n_mdev),
            "ohdev": (self.ohdev / (6.0 * self.m**2), self.n_ohdev),
        }[name]
        return (total / n if n else math.nan), n


class _Level:
    """Rings of phase and of its sum at every `stride`-th reading.

    Of the phases 0 ... i the sum C[i] leaves out the last, so that C[0] = 0. The level with
    every reading holds C[i+1] beside x[i], so that its newest term is not a reading late.
    """

    def __init__(self, stride: int, sums: list[_Sums]) -> None:
        self.stride = stride
        self.sums = sums
        self._lead = 1 if stride == 1 else 0
        self._x = [0] * _RING
        self._c = [0] * _RING

    def at(self, place: int) -> tuple[int, int]:
        """Return phase and the sum before it at `place`, one of the last 1024."""
        x = self._x[place & _WRAP]
        return x, self._c[place & _WRAP] - self._lead * x

    def add(self, place: int, x: int, c: int) -> None:
        """Take phase and sum at `place`, counted in strides since the run or gap began."""
        xs, cs = self._x, self._c
        if place == 0:
            cs[_WRAP] = 0
        lead = self._lead
        xs[place & _WRAP] = x
        cs[place & _WRAP] = c + x if lead else c
        c = cs[place & _WRAP]
        for s in self.sums:
            d = s.distance
            if place < 2 * d:
                return
            at1, at2 = (place - d) & _WRAP, (place - 2 * d) & _WRAP
            x1, x2 = xs[at1], xs[at2]
            square = float(x - 2 * x1 + x2) * _UNIT
            s.oadev += square * square
            s.n_oadev += 1
            if place < 3 * d - lead:
                return
            at3 = (place - 3 * d) & _WRAP
            square = float(c - cs[at3] - 3 * (cs[at1] - cs[at2])) * _UNIT
            s.mdev += square * square
            s.n_mdev += 1
            if place < 3 * d:
                return
            square = float(x - xs[at3] - 3 * (x1 - x2)) * _UNIT
            s.ohdev += square * square
            s.n_ohdev += 1


class LiveDeviations:
    """Deviations that grow with the run.

    Args:
        interval_s: time from reading to reading.
    """

    def __init__(self, interval_s: float) -> None:
        self._interval_s = interval_s
        first = [_Sums(1 << k, 1 << k) for k in range(LARGEST_FULL.bit_length())]
        self._levels = [_Level(1, first)]
        self._points = 0
        self._since_gap = 0
        self._x = self._c = 0

    def add(self, offset: float) -> None:
        """Take one reading, as a fraction; one that is no number is a gap."""
        if not abs(offset) < LARGEST_OFFSET:
            self.gap()
            return
        if self._since_gap == 0:
            self._x = self._c = 0
            self._put(0)
        self._c += self._x
        self._x += int(math.ldexp(offset, _BITS))
        self._since_gap += 1
        self._points += 1
        self._put(self._since_gap)

    def gap(self) -> None:
        """Begin anew after a gap; no difference reaches across it."""
        self._since_gap = 0

    def _put(self, count: int) -> None:
        for level in self._levels:
            if count % level.stride:
                return
            level.add(count // level.stride, self._x, self._c)
        if count == 2 * LARGEST_FULL * self._levels[-1].stride:
            self._grow(count)

    def _grow(self, count: int) -> None:
        """Open the next level with what the last one still holds of this run."""
        last = self._levels[-1]
        stride = 2 * last.stride
        level = _Level(stride, [_Sums(LARGEST_FULL * stride, LARGEST_FULL)])
        for place in range(0, count // last.stride + 1, 2):
            level.add(place // 2, *last.at(place))
        self._levels.append(level)

    def table(self, confidence: float = ONE_SIGMA) -> tuple[Deviation, ...]:
        """Return what is known now: each deviation at each averaging time, shortest first.

        With gaps the limits are a little wide: the terms are counted as one run.
        """
        rows: dict[Name, list[Deviation]] = {"oadev": [], "mdev": [], "ohdev": []}
        alpha = None
        for level in self._levels:
            for s in level.sums:
                alpha = self._noise(s, alpha)
                for name, known in rows.items():
                    square, n = s.mean(name)
                    if n:
                        terms = Terms(name, s.m, np.array([n]), stride=level.stride)
                        known.append(self._row(terms, square, alpha, confidence))
        return tuple(row for known in rows.values() for row in known)

    def _noise(self, s: _Sums, shorter: int | None) -> int | None:
        """Identify the noise; at m = 1, which tells nothing by itself, that at m = 2 is taken."""
        if self._points < FEWEST:
            return None
        if s.m == 1:
            s = self._levels[0].sums[1]
        if self._points < SHORTEST * s.m or not s.n_mdev:
            return shorter
        return ratio_alpha(s.mean("mdev")[0], s.mean("oadev")[0], s.m)

    def _row(self, terms: Terms, square: float, alpha: int | None, confidence: float) -> Deviation:
        value = math.sqrt(square)
        low = high = edf = noise = None
        if value > 0:
            known = None if alpha is None else max(alpha, lowest_alpha(terms.name))
            edf = degrees_of_freedom(terms, known)
            low, high = chi2_limits(value, edf, confidence)
            noise = None if known is None else NOISES[known]
        tau_s = terms.m * self._interval_s
        return Deviation(terms.name, tau_s, value, low, high, confidence, edf, terms.count, noise)
