"""Least squares: a line with centred sums, and nonlinear models with an honest covariance.

Formulas: Draper and Smith, Applied Regression Analysis, chapters 1 and 24; checked against the
NIST Statistical Reference Datasets.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

POLISH: Final = 3
"""Gauss-Newton steps after the trust region has converged."""


@dataclass(frozen=True, slots=True)
class Line:
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
        """Value of the line at `t` and its standard uncertainty."""
        away = t - self.t_mean
        return self.level + self.slope * away, math.hypot(self.u_level, self.u_slope * away)

    @property
    def correlation(self) -> float:
        """Of the slope with the value at t = 0."""
        return -self.u_slope * self.t_mean / math.hypot(self.u_level, self.u_slope * self.t_mean)


def fit_line(t: ArrayLike, y: ArrayLike) -> Line:
    """Ordinary least squares of y on t, with sums about the means.

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
    t_mean = times[0] + float((times - times[0]).sum()) / n
    level = values[0] + float((values - values[0]).sum()) / n
    away = times - t_mean
    moved = values - level
    spread = float(away @ away)
    if spread == 0.0:
        raise ValueError("A line needs points at different times; all are at the same one.")
    slope = float(away @ moved) / spread
    residual_sd = u_slope = u_level = math.nan
    if n > 2:
        residuals = moved - slope * away
        residual_sd = math.sqrt(float(residuals @ residuals) / (n - 2))
        u_slope = residual_sd / math.sqrt(spread)
        u_level = residual_sd / math.sqrt(n)
    span = float(times[-1] - times[0])
    return Line(slope, float(level), float(t_mean), residual_sd, u_slope, u_level, n, span)


def fit_through_origin(x: ArrayLike, y: ArrayLike) -> tuple[float, float]:
    """Slope of y = b·x and its standard uncertainty.

    Raises:
        ValueError: fewer than two points, or all x are zero.
    """
    xs = np.asarray(x, dtype=np.float64)
    ys = np.asarray(y, dtype=np.float64)
    power = float(xs @ xs)
    if len(xs) < 2 or power == 0.0:
        raise ValueError("A line through the origin needs two points, one of them off it.")
    slope = float(xs @ ys) / power
    residuals = ys - slope * xs
    return slope, math.sqrt(float(residuals @ residuals) / (len(xs) - 1) / power)


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted nonlinear model."""

    values: Floats
    """Parameters, shape (p,)."""
    covariance: Floats
    """Shape (p, p); inf where the data do not determine a parameter."""
    residual_sd: float

    @property
    def u(self) -> Floats:
        """Standard uncertainties of the parameters, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))


def fit_curve(
    model: Callable[[Floats, Floats], Floats],
    x: ArrayLike,
    y: ArrayLike,
    start: Sequence[float],
) -> Curve:
    """Nonlinear least squares, by a trust region scaled by the Jacobian's columns.

    A Levenberg-Marquardt step runs off where this one holds (BoxBOD from its first start).

    Args:
        model: (x, parameters) to values, same shape as x; analytic, for it is also called
            with complex parameters, whose imaginary part gives derivatives to all digits.
        x: shape (n,).
        y: shape (n,).
        start: first guess of the parameters, shape (p,).

    Raises:
        ValueError: not more points than parameters, or no convergence.
    """
    from scipy.optimize import least_squares  # noqa: PLC0415 - slow to import, seldom needed

    xs = np.asarray(x, dtype=np.float64)
    ys = np.asarray(y, dtype=np.float64)
    freedom = len(xs) - len(start)
    if freedom < 1:
        raise ValueError(f"{len(start)} parameters need more than {len(xs)} points.")

    def misses(parameters: Floats) -> Floats:
        return model(xs, parameters) - ys

    with np.errstate(over="ignore"):
        found = least_squares(
            misses,
            np.asarray(start, dtype=np.float64),
            jac="cs",
            method="trf",
            x_scale="jac",
            ftol=1e-15,
            xtol=1e-15,
            gtol=1e-15,
            max_nfev=2000,
        )
    if not found.success and found.status != 0:
        raise ValueError(f"The fit did not converge: {found.message}")
    values = np.asarray(found.x, dtype=np.float64)
    for _ in range(POLISH):
        # The trust region stops when the sum of squares no longer falls, at half the digits.
        jacobian = _jacobian(model, xs, values)
        scale = np.sqrt((jacobian * jacobian).sum(axis=0))
        scale[scale == 0.0] = 1.0
        move = np.linalg.lstsq(jacobian / scale, -misses(values))[0] / scale
        if not np.all(np.abs(move) <= 1e-4 * np.abs(values)):
            break
        values = values + move
    residual_sd = float(np.linalg.norm(misses(values))) / math.sqrt(freedom)
    covariance = _inverse_gram(_jacobian(model, xs, values))
    if np.isfinite(covariance[0, 0]):
        covariance = residual_sd**2 * covariance
    return Curve(values, covariance, residual_sd)


def _jacobian(model: Callable[[Floats, Floats], Floats], x: Floats, values: Floats) -> Floats:
    """Derivatives by a complex step, exact to rounding (Squire and Trapp 1998); shape (n, p)."""
    columns = []
    for index, value in enumerate(values.tolist()):
        moved: Any = values.astype(np.complex128)
        step = 1e-30 * max(abs(value), 1e-30)
        moved[index] += 1j * step
        columns.append(np.imag(model(x, moved)) / step)
    return np.stack(columns, axis=1)


def _inverse_gram(jacobian: Floats) -> Floats:
    """(JᵀJ)⁻¹ from the singular values of J with its columns scaled to one.

    Forming JᵀJ would square the condition number and may leave no right digit.
    """
    scale = np.sqrt((jacobian * jacobian).sum(axis=0))
    if np.any(scale == 0.0):
        return np.full((jacobian.shape[1],) * 2, np.inf)
    _, singular, rotation = np.linalg.svd(jacobian / scale, full_matrices=False)
    if singular[-1] < singular[0] * np.finfo(np.float64).eps * len(jacobian):
        return np.full((jacobian.shape[1],) * 2, np.inf)
    half = rotation.T / singular / scale[:, None]
    inverse: Floats = half @ half.T
    return inverse
