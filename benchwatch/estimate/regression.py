"""Straight lines by least squares, with sums about the means.

Through arrays (`fit_line`), through a few readings without the cost of arrays (`centred`), through
readings as they come (`CentredSums.add`), and through evenly spaced values (`EvenLine`).

Formulas: Draper and Smith, Applied Regression Analysis, chapter 1; checked against the NIST
Statistical Reference Datasets.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from benchwatch.estimate.array_types import FloatArray

Point = tuple[float, float]
"""Time in seconds and value."""


@dataclass(slots=True)
class CentredSums:
    """Means of t and y, and the sums of squares and products about them."""

    points: int = 0
    t: float = 0.0
    y: float = 0.0
    tt: float = 0.0
    ty: float = 0.0
    yy: float = 0.0

    def add(self, t: float, y: float) -> None:
        """Take one more point (Welford, Technometrics 4, 1962, 419; from memory)."""
        self.points = points = self.points + 1
        dt, dy = t - self.t, y - self.y
        self.t = t_mean = self.t + dt / points
        self.y = y_mean = self.y + dy / points
        moved = y - y_mean
        self.tt += dt * (t - t_mean)
        self.ty += dt * moved
        self.yy += dy * moved

    @property
    def slope(self) -> float:
        """Slope of the least-squares line; 0 where all points are at one t."""
        return self.ty / self.tt if self.tt > 0.0 else 0.0

    @property
    def residual_sum(self) -> float:
        """Sum of the squared residuals about that line."""
        return max(self.yy - self.slope * self.ty, 0.0)


def centred(points: Sequence[Point]) -> CentredSums:
    """Return the sums over one or more `points`; up to about 50 this is faster than arrays."""
    n = len(points)
    t0, y0 = points[0]
    t = sum([p[0] - t0 for p in points]) / n
    y = sum([p[1] - y0 for p in points]) / n
    tt = ty = yy = 0.0
    for pt, py in points:
        dt, dy = pt - t0 - t, py - y0 - y
        tt += dt * dt
        ty += dt * dy
        yy += dy * dy
    return CentredSums(points=n, t=t0 + t, y=y0 + y, tt=tt, ty=ty, yy=yy)


def centred_arrays(t: FloatArray, y: FloatArray) -> tuple[CentredSums, FloatArray, FloatArray]:
    """Return the sums over arrays of shape (n,), n at least 1, and both arrays less their means.

    The first time and value are subtracted beforehand, so that neither a clock's epoch nor a large
    offset costs digits.
    """
    n = len(t)
    dt, dy = t - t[0], y - y[0]
    add_up = np.add.reduce  # the sum of the array's own method, without the cost of calling that
    t_mean, y_mean = float(add_up(dt)) / n, float(add_up(dy)) / n
    dt -= t_mean
    dy -= y_mean
    sums = CentredSums(
        points=n,
        t=float(t[0]) + t_mean,
        y=float(y[0]) + y_mean,
        tt=float(dt @ dt),
        ty=float(dt @ dy),
        yy=float(dy @ dy),
    )
    return sums, dt, dy


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedLine:
    """y = level + slope·(t − t_mean); u's assume white residuals, nan for fewer than 3 points."""

    slope: float
    level: float
    t_mean: float
    residual_sd: float
    u_slope: float
    u_level: float
    points: int
    span: float
    """Last t minus first t."""

    def at(self, t: float) -> tuple[float, float]:
        """Return the value of the line at `t` and its standard uncertainty."""
        away = t - self.t_mean
        return self.level + self.slope * away, math.hypot(self.u_level, self.u_slope * away)


def fit_line(t: ArrayLike, y: ArrayLike) -> FittedLine:
    """Fit a line to y over t by ordinary least squares.

    Args:
        t: shape (n,), any origin: a Unix time loses no digits of the slope.
        y: shape (n,).

    Raises:
        ValueError: fewer than two points, or all at the same t.
    """
    times = np.asarray(t, dtype=np.float64)
    values = np.asarray(y, dtype=np.float64)
    n = len(times)
    if n < 2:
        raise ValueError(f"A line needs at least two points; there are {n}.")
    sums, away, moved = centred_arrays(times, values)
    if sums.tt == 0.0:
        raise ValueError("A line needs points at different times; all are at the same one.")
    slope = sums.ty / sums.tt
    residual_sd = u_slope = u_level = math.nan
    if n > 2:
        # Summed from the residuals: the difference of the sums would lose digits.
        residuals = moved - slope * away
        residual_sd = math.sqrt(float(residuals @ residuals) / (n - 2))
        u_slope = residual_sd / math.sqrt(sums.tt)
        u_level = residual_sd / math.sqrt(n)
    return FittedLine(
        slope=slope,
        level=sums.y,
        t_mean=sums.t,
        residual_sd=residual_sd,
        u_slope=u_slope,
        u_level=u_level,
        points=n,
        span=float(times[-1] - times[0]),
    )


class EvenLine:
    """Lines through `count` evenly spaced values, for a fit at nearly every reading."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.squares = (count**3 - count) / 12.0
        """Sum of the squared distances from the middle, in spacings."""
        self._weights = [(place - (count - 1) / 2.0) / self.squares for place in range(count)]

    def fit(self, values: Sequence[float]) -> tuple[float, float]:
        """Return the slope from value to value, and the sum of the squared residuals.

        Args:
            values: `count` of them.
        """
        first = values[0]
        slope = total = squares = 0.0
        for weight, one in zip(self._weights, values, strict=True):
            value = one - first
            slope += weight * value
            total += value
            squares += value * value
        return slope, squares - total * total / self.count - slope * slope * self.squares
