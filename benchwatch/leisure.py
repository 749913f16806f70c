"""Numbers that are worked out at leisure, about once a second, and not with every reading.

Deviations grow with each reading at a bounded cost, but their limits, the dither of the last
minute and the offset at the working frequencies are only wanted when somebody looks.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from benchwatch.buffer import Buffer
from benchwatch.estimate.dither import Dither, dither
from benchwatch.estimate.elsewhere import elsewhere, seconds_per_day
from benchwatch.estimate.regression import fit_line
from benchwatch.estimate.results import Estimate
from benchwatch.estimate.settle.warmup import Warmup
from benchwatch.estimate.stability import (
    Deviation,
    LiveDeviations,
    Name,
    octave_factors,
    phase_of_offsets,
    stability_table,
)
from benchwatch.snapshot import ElsewhereNow, StabilityNow, Trace, WarmUp

DITHER_SPAN_S: Final = 60.0
INTERVAL_READINGS: Final = 16
"""Readings from which the time between two is told."""
UNEVEN: Final = 1.5
"""A wait of more than so many intervals is a gap for deviations."""
DRIFT_SPAN_S: Final = 3600.0
"""How far back a straight drift is taken out, at most; over longer it is no straight line."""
STRAIGHT_EVERY_S: Final = 10.0
"""It costs a tenth of a second over thousands of readings, and changes slowly."""
NAMES: Final[tuple[Name, ...]] = ("oadev", "mdev", "ohdev")
FEWEST: Final = 8
CURVE_POINTS: Final = 100
MULTIPLES: Final = (0.1, 0.5, 1.0, 2.0, 10.0, 100.0)
"""Of the nominal, when no working frequencies were stated."""


class Deviations:
    """Deviations of the run so far, once the time between readings is known."""

    def __init__(self) -> None:
        self._first: list[tuple[float, float]] = []
        self._live: LiveDeviations | None = None
        self._interval_s = 0.0
        self._last_s = 0.0
        self._readings = 0
        self._began_s = 0.0
        self._straight: tuple[Deviation, ...] = ()
        self._straight_at_s = -math.inf

    def add(self, elapsed_s: float, offset: float) -> None:
        """Take one reading, fractional."""
        self._readings += 1
        if self._live is None:
            self._first.append((elapsed_s, offset))
            if len(self._first) == INTERVAL_READINGS:
                self._begin()
            return
        if elapsed_s - self._last_s > UNEVEN * self._interval_s:
            self._live.gap()
        self._last_s = elapsed_s
        self._live.add(offset)

    def gap(self) -> None:
        """Readings were missed."""
        if self._live is None:
            self._first.clear()
            self._readings = 0
        else:
            self._live.gap()

    def now(self, buffer: Buffer) -> StabilityNow:
        """Work out the table, and the dither of the last minute."""
        rows = () if self._live is None else self._live.table()
        recent = _recent(buffer, DITHER_SPAN_S)
        span_s = self._last_s - self._began_s if self._live is not None else 0.0
        if self._last_s - self._straight_at_s >= STRAIGHT_EVERY_S:
            self._straight, self._straight_at_s = self._without_drift(buffer), self._last_s
        return StabilityNow(rows, self._straight, recent, self._readings, span_s)

    def _without_drift(self, buffer: Buffer) -> tuple[Deviation, ...]:
        """Deviations of the readings still known singly, a straight line taken out; nan at gaps."""
        known = buffer.buckets(DRIFT_SPAN_S)
        single = known.readings == 1
        times, offset = known.end_s[single], known.mean[single]
        if self._live is None or len(times) < FEWEST:
            return ()
        line = fit_line(times, offset)
        level = offset - line.slope * (times - times[-1])
        level[np.flatnonzero(np.diff(times) > UNEVEN * self._interval_s) + 1] = np.nan
        phase = phase_of_offsets(level)
        return stability_table(phase, self._interval_s, NAMES, octave_factors(len(level) + 1))

    def _begin(self) -> None:
        times = [elapsed_s for elapsed_s, _ in self._first]
        self._interval_s = float(np.median(np.diff(times)))
        self._began_s, self._last_s = times[0], times[0]
        self._live = LiveDeviations(self._interval_s)
        self._readings -= len(self._first)
        for elapsed_s, offset in self._first:
            self.add(elapsed_s, offset)
        self._first.clear()


def warm_up_now(was: WarmUp, fit: Warmup | None, now_s: float) -> WarmUp:
    """Draw the fitted curve over the half of the run it was fitted to, and as far ahead."""
    if fit is None:
        return replace(was, curve=Trace(), end=None, end_u=None)
    half_s = (now_s - was.since_s) / 2.0
    times = np.linspace(now_s - half_s, now_s + half_s, CURVE_POINTS)
    curve = Trace(tuple(times.tolist()), tuple(fit.at(times).tolist()))
    return replace(was, curve=curve, end=fit.level, end_u=fit.u_end)


def elsewhere_now(
    estimate: Estimate | None, nominal_hz: float, at_hz: Sequence[float] = ()
) -> ElsewhereNow | None:
    """Carry the estimate to the working frequencies, or to round multiples of the nominal."""
    if estimate is None or not nominal_hz > 0:
        return None
    where = at_hz or [factor * nominal_hz for factor in MULTIPLES]
    u = estimate.u
    return ElsewhereNow(
        elsewhere(estimate.offset, nominal_hz, where, u),
        seconds_per_day(estimate.offset),
        None if u is None else seconds_per_day(u),
    )


def _recent(buffer: Buffer, span_s: float) -> Dither | None:
    buckets = buffer.buckets(span_s)
    return dither(buckets.end_s, buckets.mean)
