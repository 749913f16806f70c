"""The warm-up as one exponential: the curve that the screen draws through the readings.

If the warm-up has a slow tail as well, one exponential reaches its end a little early: it shows
where the offset is going, and is never used for the verdict.
"""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.settle.noise_model import NoiseModel

FEWEST_POINTS: Final = 8
MOST_POINTS: Final = 200
"""Points taken at most; the fit is made while readings arrive."""
TC_RATIO: Final = 1.15
"""Ratio of neighbouring time constants in the grid."""
SHORTEST_TC: Final = 1.0 / 20.0
LONGEST_TC: Final = 3.0
"""Shortest and longest time constant, in spans: a slower exponential is a line."""
END_U_SHARE: Final = 0.5
"""Standard uncertainty of the end value as a share of the change still to come, as no warm-up is
just one exponential; divided by the share of the past that was fitted. With the noise alone, 2u
covers the end of one in four made warm-ups that have a tail."""
FITTED_SHARES: Final = (1.0, 0.5)
"""Newest shares of the past that are fitted, tried in this order."""
ITERATIONS: Final = 4
LARGEST_TC_U: Final = 0.3
"""Relative uncertainty of the time constant above which the fit is not shown."""
GOOD_MISFIT: Final = 2.0
"""Reduced chi-square above which one exponential does not describe the past."""


@dataclass(frozen=True, slots=True)
class WarmUpFit:
    """y(t) = level + amplitude·e^(−(t − now)/T); each u is standard, with T fitted too."""

    now: float
    level: float
    u_level: float
    amplitude: float
    """Offset at `now` less `level`: what is left of the warm-up."""
    u_amplitude: float
    time_constant_s: float
    u_time_constant_s: float
    misfit: float
    """Reduced chi-square."""
    share: float = 1.0
    """Newest share of the past that was fitted."""

    @property
    def u_end(self) -> float:
        """Standard uncertainty of the end value `level`, from noise and `END_U_SHARE`."""
        return math.hypot(self.u_level, END_U_SHARE / self.share * self.amplitude)

    def at(self, t: ArrayLike) -> FloatArray:
        """Return the offsets at the times `t` (s), same shape."""
        away = np.asarray(t, dtype=np.float64) - self.now
        curve: FloatArray = self.level + self.amplitude * np.exp(-away / self.time_constant_s)
        return curve


def fit_warm_up(
    t: ArrayLike, y: ArrayLike, variance: ArrayLike, now: float, width_s: ArrayLike = 0.0
) -> WarmUpFit | None:
    """Fit one exponential to the longest newest share of the past that is one.

    Weighted least squares over a grid of time constants; level and amplitude are linear. While
    an older part of the past has another time constant, it is left out.

    Args:
        t: times in seconds, increasing, shape (n,), n at most 200; best the last half of the
            time since power-on.
        y: offsets, shape (n,).
        variance: of each offset, shape (n,).
        now: where the amplitude is stated, s.
        width_s: length of the block that each offset is the mean of, shape (n,) or one number.

    Returns:
        None when the points do not show an exponential: too few, no better than a line,
        amplitude within its noise, or a misfit over `GOOD_MISFIT`.
    """
    times = np.asarray(t, dtype=np.float64)[-MOST_POINTS:]
    offsets = np.asarray(y, dtype=np.float64)[-MOST_POINTS:]
    weights = 1.0 / np.asarray(variance, dtype=np.float64)[-MOST_POINTS:]
    widths = np.broadcast_to(np.asarray(width_s, dtype=np.float64), np.shape(t))[-MOST_POINTS:]
    for share in FITTED_SHARES:
        first = (
            int(times.searchsorted(times[-1] - share * (times[-1] - times[0]))) if len(times) else 0
        )
        if len(times) - first < FEWEST_POINTS:
            break
        fit = _fit(times[first:], offsets[first:], weights[first:], now, widths[first:])
        if fit is not None:
            return replace(fit, share=share)
    return None


def _fit(
    times: FloatArray, offsets: FloatArray, weights: FloatArray, now: float, widths: FloatArray
) -> WarmUpFit | None:
    span = float(times[-1] - times[0])
    total = float(weights.sum())
    middle = offsets[-1]
    centred = offsets - middle
    centred_mean = float(weights @ centred) / total
    centred = centred - centred_mean
    count = math.ceil(math.log(LONGEST_TC / SHORTEST_TC) / math.log(TC_RATIO)) + 1
    constants = np.asarray(span * SHORTEST_TC * TC_RATIO ** np.arange(count), dtype=np.float64)
    curves = _mean_curve(times - times[0], widths, 1.0 / constants[:, None])
    means = curves @ weights / total
    curves -= means[:, None]
    power = (curves * curves) @ weights
    against = curves @ (weights * centred)
    amplitudes = against / power
    chi2 = float(weights @ (centred * centred)) - against * amplitudes
    best = int(np.argmin(chi2))
    unit = max(1.0, float(chi2[best]) / (len(times) - 3))
    if best in (0, count - 1) or against[best] * amplitudes[best] < 25.0 * unit:
        return None
    polished = _polish(times - now, centred, weights, widths, float(constants[best]))
    if polished is None:
        return None
    (level, amplitude, log_constant), covariance = polished
    left = centred - level - amplitude * _mean_curve(times - now, widths, math.exp(-log_constant))
    misfit = float(weights @ (left * left)) / (len(times) - 3)
    if misfit > GOOD_MISFIT:
        return None
    unit = max(1.0, misfit)
    u_level, u_amplitude, u_log = np.sqrt(np.diag(covariance) * unit).tolist()
    if u_log > LARGEST_TC_U:
        return None
    constant = math.exp(log_constant)
    return WarmUpFit(
        now=now,
        level=float(middle) + centred_mean + level,
        u_level=u_level,
        amplitude=amplitude,
        u_amplitude=u_amplitude,
        time_constant_s=constant,
        u_time_constant_s=constant * u_log,
        misfit=misfit,
    )


def _mean_curve(t: FloatArray, widths: FloatArray, rate: FloatArray | float) -> FloatArray:
    """Return means of e^(-rate·t) over blocks about `t`: the value at `t` times sinh(h)/h."""
    half = 0.5 * widths * rate
    # Two terms of the series are right to 1e-4 up to h = 1; in longer blocks little of it is left.
    squared = np.minimum(half * half, 4.0)
    curve: FloatArray = np.exp(-t * rate) * (1.0 + squared / 6.0 * (1.0 + squared / 20.0))
    return curve


def _polish(
    ago: FloatArray, offsets: FloatArray, weights: FloatArray, widths: FloatArray, constant: float
) -> tuple[list[float], FloatArray] | None:
    """Refine level, amplitude and log T by Gauss-Newton from the best time constant of the grid.

    Returns:
        The three and their covariance, shape (3, 3); None when the iteration diverges.
    """
    log_constant = math.log(constant)
    jacobian = np.ones((len(ago), 3))
    amplitude = level = 0.0
    for iteration in range(ITERATIONS):
        rate = math.exp(-log_constant)
        curve = _mean_curve(ago, widths, rate)
        if iteration == 0:
            jacobian[:, 1] = curve
            weighted = jacobian[:, :2].T * weights
            level, amplitude = np.linalg.solve(
                weighted @ jacobian[:, :2], weighted @ offsets
            ).tolist()
        jacobian[:, 1] = curve
        jacobian[:, 2] = amplitude * rate * ago * curve
        scale = 1.0 / np.sqrt(weights @ (jacobian * jacobian))
        scaled = jacobian * scale
        weighted = scaled.T * weights
        try:
            inverse = np.linalg.inv(weighted @ scaled)
        except np.linalg.LinAlgError:
            return None
        move = scale * (inverse @ (weighted @ (offsets - level - amplitude * curve)))
        level += float(move[0])
        amplitude += float(move[1])
        log_constant += float(move[2])
        if abs(log_constant - math.log(constant)) > 2.0 * math.log(TC_RATIO):
            return None
    covariance = np.asarray(inverse * np.multiply.outer(scale, scale), dtype=np.float64)
    return [level, amplitude, log_constant], covariance


class WarmUpCurve:
    """The warm-up curve, refitted every fiftieth of the horizon to blocks after the last nudge."""

    def __init__(self) -> None:
        self._fit: WarmUpFit | None = None
        self._fitted_at = -math.inf

    def clear(self) -> None:
        """Drop the curve."""
        self._fit = None
        self._fitted_at = -math.inf

    def in_run(self, origin: tuple[float, float] | None) -> WarmUpFit | None:
        """Return the curve with time and offset of `origin` added; None without curve or origin."""
        if self._fit is None or origin is None:
            return None
        start, reference = origin
        fit = self._fit
        return replace(fit, now=fit.now + start, level=fit.level + reference)

    def fit(
        self,
        blocks: FloatArray,
        *,
        now: float,
        since: float,
        noise: NoiseModel,
        interval_s: float,
        limit: SettleLimit,
    ) -> None:
        """Fit the curve at `now` to the `blocks` from `since` on; see `PastReadings.blocks`."""
        if now - self._fitted_at < limit.horizon_s / 50.0:
            return
        self._fitted_at = now
        blocks = blocks[:, int(blocks[0].searchsorted(since)) :]
        width_s = blocks[2] * interval_s
        variance = noise.white / width_s + noise.flicker + (1e-6 * limit.limit) ** 2
        self._fit = fit_warm_up(blocks[0], blocks[1], variance, now, width_s)
