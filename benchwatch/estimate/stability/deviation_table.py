"""The table of a run: deviations at a list of averaging times, with limits."""

import math
from collections.abc import Callable, Iterable
from typing import Final

from benchwatch.estimate.array_types import IntArray
from benchwatch.estimate.stability.confidence import Terms, chi2_limits, degrees_of_freedom
from benchwatch.estimate.stability.dead_time import variance_ratio
from benchwatch.estimate.stability.deviation_kinds import DEVIATIONS
from benchwatch.estimate.stability.deviation_point import NOISES, ONE_SIGMA, Deviation
from benchwatch.estimate.stability.deviations import WindowSums, variance
from benchwatch.estimate.stability.noise_id import SHORTEST_RUN_TAUS, lag1_alpha, ratio_alpha
from benchwatch.estimate.stability.phase_data import Phase
from benchwatch.estimate.stability.total_bias import total_bias

MULTIPLE_TOLERANCE: Final = 1e-6
"""Relative difference up to which an averaging time counts as a multiple of the interval."""


def octave_factors(points: int) -> list[int]:
    """Return averaging factors 1, 2, 4 ... for `points` phase points."""
    return [1 << k for k in range(points.bit_length()) if 2 << k < points]


def decade_factors(points: int) -> list[int]:
    """Return averaging factors 1, 10, 100 ... for `points` phase points."""
    return [10**k for k in range(len(str(points))) if 2 * 10**k < points]


def factor_of(tau_s: float, interval_s: float, *, within: float = MULTIPLE_TOLERANCE) -> int | None:
    """Return the averaging factor of `tau_s`; None when no multiple of the interval is near.

    Args:
        tau_s: averaging time.
        interval_s: time from reading to reading.
        within: largest difference of the multiple from `tau_s`, relative to it.
    """
    m = round(tau_s / interval_s)
    return m if m >= 1 and abs(m * interval_s - tau_s) <= within * tau_s else None


def stability_table(
    phase: Phase,
    interval_s: float,
    names: Iterable[str],
    factors: Iterable[int],
    *,
    gate_s: float | None = None,
    confidence: float = ONE_SIGMA,
    say_done: Callable[[int, int], None] | None = None,
) -> tuple[Deviation, ...]:
    """Return each deviation at each averaging factor that the run is long enough for.

    Args:
        phase: the run.
        interval_s: time from reading to reading.
        names: which deviations.
        factors: averaging factors, in readings.
        gate_s: gate, where there is dead time between readings. Averaging times are then
            multiples of the gate, and the kinds for which that is known are corrected.
        confidence: probability that the limits cover the truth.
        say_done: called with how many numbers are worked out, and of how many.
    """
    variances = _Variances(phase)
    noise = _Noise(phase, variances)
    tau0_s = interval_s if gate_s is None else gate_s
    names, factors = list(names), list(factors)
    table = []
    for place, name in enumerate(names):
        kind = DEVIATIONS[name]
        for number, m in enumerate(factors, start=place * len(factors)):
            if say_done is not None:
                say_done(number, len(names) * len(factors))
            square, runs = variances.of(name, m)
            if not runs.sum():
                continue
            alpha = noise.at(m)
            if alpha is not None:
                alpha = max(alpha, kind.lowest_alpha)
            if gate_s is not None and kind.corrected and alpha is not None:
                square /= variance_ratio(alpha, m, interval_s / gate_s, kind.order)
            value = math.sqrt(square) * kind.scale(m * tau0_s)
            edf = low = high = bias = corrected = None
            if value > 0:
                terms = Terms(name=name, m=m, runs=runs)
                edf = degrees_of_freedom(terms, alpha)
                if not kind.reflected:
                    low, high = chi2_limits(value, edf, confidence)
                else:
                    bias, corrected, low, high = _unbiased(value, terms, alpha, confidence)
            known = NOISES[alpha] if alpha is not None and value > 0 else None
            tau_s = float(f"{m * tau0_s:.12g}")
            n = int(runs.sum())
            table.append(
                Deviation(
                    deviation=name,
                    tau_s=tau_s,
                    value=value,
                    low=low,
                    high=high,
                    confidence=confidence,
                    edf=edf,
                    n=n,
                    noise=known,
                    bias=bias,
                    corrected=corrected,
                )
            )
    return tuple(table)


def _unbiased(
    value: float, terms: Terms, alpha: int | None, confidence: float
) -> tuple[float | None, float | None, float, float]:
    """Return the bias of a total deviation, its value without bias, and the limits of the latter.

    With `alpha` None, the limits include those of every noise.
    """
    limits, bias = [], 1.0
    for noise in range(-2, 3) if alpha is None else (alpha,):
        bias = math.sqrt(total_bias(noise, terms.m, terms.runs))
        limits.append(chi2_limits(value / bias, degrees_of_freedom(terms, noise), confidence))
    low, high = min(low for low, _ in limits), max(high for _, high in limits)
    if alpha is None:
        return None, None, low, high
    return bias, value / bias, low, high


class _Variances:
    """Computes each variance once: table and noise identification share some."""

    def __init__(self, phase: Phase) -> None:
        self._phase = phase
        self._sums = WindowSums(phase)
        self._known: dict[tuple[object, int], tuple[float, IntArray]] = {}

    def of(self, name: str, m: int) -> tuple[float, IntArray]:
        """Return the variance and its terms; see `deviations.variance`."""
        key = DEVIATIONS[name].differences, m
        if key not in self._known:
            self._known[key] = variance(name, self._phase, m, sums=self._sums)
        return self._known[key]


class _Noise:
    """Identifies the noise at each averaging factor once."""

    def __init__(self, phase: Phase, variances: _Variances) -> None:
        self._phase, self._variances = phase, variances
        self._known: dict[int, int | None] = {}

    def at(self, m: int) -> int | None:
        """Return α at `m`, or at the longest factor for which the run is long enough."""
        m = max(min(m, self._phase.points // SHORTEST_RUN_TAUS), 1)
        if m not in self._known:
            self._known[m] = self._identify(m)
        return self._known[m]

    def _identify(self, m: int) -> int | None:
        if m == 1:
            alpha = lag1_alpha(self._phase)
            return None if alpha is None else min(max(round(alpha), -4), 2)
        if self.at(1) is None:
            return None
        modified, runs = self._variances.of("mdev", m)
        plain, _ = self._variances.of("oadev", m)
        return ratio_alpha(modified, plain, m) if runs.sum() else self.at(1)
