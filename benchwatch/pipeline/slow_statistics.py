"""Statistics that are computed about once a second for display, and not with every reading.

Adding a reading to the deviations has a bounded cost. Confidence limits, the dither of the last
minute and the offset at the working frequencies are computed only when they are shown.
"""

import math
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from statistics import median
from typing import Final

import numpy as np

from benchwatch.estimate.derived_frequencies import elsewhere, seconds_per_day, with_one_hertz
from benchwatch.estimate.dither import Dither, dither
from benchwatch.estimate.regression import fit_line
from benchwatch.estimate.results import Estimate, Numbers
from benchwatch.estimate.settle.warm_up_fit import WarmUpFit
from benchwatch.estimate.stability import (
    LIVE_KINDS,
    Deviation,
    LiveDeviations,
    octave_factors,
    stability_table,
)
from benchwatch.estimate.stability.live_bridges import LONGEST_GAP_READINGS, LiveBridges
from benchwatch.estimate.stability.time_grid import phase_on_grid
from benchwatch.pipeline.history import History
from benchwatch.snapshot import Change, ElsewhereNow, StabilityNow, Trace, WarmUp

REFRESH_S: Final = 1.0
"""Shortest wait between two updates of the slow statistics."""
REFRESH_RATIO: Final = 20.0
"""Shortest wait as a multiple of the time that an update took, to spare the processor."""
DITHER_SPAN_S: Final = 60.0
INTERVAL_READINGS: Final = 16
"""Number of readings whose median spacing is taken as the usual interval."""
GAP_INTERVALS: Final = 1.5
"""Readings more than so many intervals apart have a gap between them."""
DRIFT_SPAN_S: Final = 3600.0
"""Longest span from which a linear drift is removed; over longer ones drift is not linear."""
DETREND_EVERY_S: Final = 10.0
"""How often deviations without drift are computed: they change slowly, and over thousands of
readings they take a tenth of a second."""
FEWEST_READINGS: Final = 8
"""Fewest readings for deviations without drift."""
RECENT_READINGS: Final = 256
"""Newest readings held, because a nudge is confirmed some readings after it was made."""
MOST_DEFERRED_READINGS: Final = 256
"""Most readings that wait to be added to a series."""
CURVE_POINTS: Final = 100
WORKING_MULTIPLES: Final = (0.1, 0.5, 1.0, 2.0, 10.0, 100.0)
"""Working frequencies as multiples of the nominal, where none were stated."""


class StabilityTracker:
    """Deviations of the whole run, and since the last nudge or the settling."""

    def __init__(self) -> None:
        self._run = _DeviationSeries()
        self._since: _DeferredSeries | None = None
        """Deviations since the last nudge or the settling, the later one; None before either."""
        self._change: Change | None = None
        self._change_s = -math.inf
        self._newest: deque[tuple[float, float]] = deque(maxlen=RECENT_READINGS)
        self._suspect: tuple[float, float] | None = None
        """A suspect reading, added once the next reading shows that it is no spike."""
        self._detrended: tuple[Deviation, ...] = ()
        self._detrended_since: tuple[Deviation, ...] = ()
        self._detrended_at_s = -math.inf

    def add(self, elapsed_s: float, offset: float, numbers: Numbers | None = None) -> None:
        """Add a reading (fractional offset); `numbers` are those after it."""
        if self._suspect is not None:
            if numbers is None or numbers.spike_at_s is None:
                self._add_to_series(*self._suspect)
            self._suspect = None
        if numbers is not None and numbers.suspect:
            self._suspect = (elapsed_s, offset)
        else:
            self._add_to_series(elapsed_s, offset)
        if numbers is None:
            return
        settle, nudge = numbers.settle, numbers.confirmed_nudge
        if nudge is not None:
            self._begin_since(nudge.at_s, "nudge")
        elif settle is not None and settle.state == "settled" and settle.since_s is not None:
            self._begin_since(settle.since_s, "settled")

    def gap(self, lasted_s: float | None = None) -> None:
        """Add a gap of `lasted_s` seconds; None: readings after it compare with none before."""
        if self._suspect is not None:
            self._add_to_series(*self._suspect)
            self._suspect = None
        for series in (self._run, self._since):
            if series is not None:
                series.gap(lasted_s)
        if lasted_s is None:
            self._newest.clear()

    def now(self, history: History) -> StabilityNow:
        """Compute the tables of deviations, and the dither of the last minute."""
        run, deferred = self._run, self._since
        since = None if deferred is None else deferred.series()
        recent = _recent(history, DITHER_SPAN_S)
        if run.last_s - self._detrended_at_s >= DETREND_EVERY_S:
            self._detrended, self._detrended_at_s = _without_drift(run, history), run.last_s
            self._detrended_since = () if since is None else _without_drift(since, history)
        rows = run.table()
        now = StabilityNow(
            deviations=rows,
            without_drift=self._detrended,
            dither=recent,
            readings=run.readings,
            span_s=run.span_s,
        )
        if since is None:
            return now
        return replace(
            now,
            since=self._change,
            since_s=self._change_s,
            since_deviations=since.table(),
            since_without_drift=self._detrended_since,
            since_readings=since.readings,
            since_span_s=since.span_s,
        )

    def _add_to_series(self, elapsed_s: float, offset: float) -> None:
        self._newest.append((elapsed_s, offset))
        self._run.add(elapsed_s, offset)
        if self._since is not None:
            self._since.add(elapsed_s, offset)

    def _begin_since(self, at_s: float, why: Change) -> None:
        """Restart the second series at a change, if it is later than the previous change."""
        if at_s <= self._change_s:
            return
        self._change_s, self._change = at_s, why
        self._since = _DeferredSeries(_DeviationSeries(self._run.interval_s))
        self._detrended_at_s = -math.inf
        for elapsed_s, offset in self._newest:
            if elapsed_s >= at_s:
                self._since.add(elapsed_s, offset)


class _DeferredSeries:
    """A series that readings are added to only when it is read: a nudge often discards it before.

    One thread adds readings, another one reads the series.
    """

    def __init__(self, series: "_DeviationSeries") -> None:
        self._series = series
        self._events: deque[tuple[float, float] | tuple[float | None]] = deque()
        """Readings (time, offset) and gaps (seconds or None), oldest first."""
        self._lock = threading.Lock()

    def add(self, elapsed_s: float, offset: float) -> None:
        self._events.append((elapsed_s, offset))
        if len(self._events) > MOST_DEFERRED_READINGS:
            self.series()

    def gap(self, lasted_s: float | None) -> None:
        self._events.append((lasted_s,))

    def series(self) -> "_DeviationSeries":
        """Return the series with all readings added."""
        with self._lock:
            while self._events:
                event = self._events.popleft()
                if len(event) == 1:
                    self._series.gap(event[0])
                else:
                    self._series.add(*event)
        return self._series


class _DeviationSeries:
    """Deviations of one stretch; readings wait in `_first` until the usual interval is known."""

    def __init__(self, interval_s: float = 0.0) -> None:
        self.interval_s = interval_s
        self.last_s = self.began_s = 0.0
        self.readings = 0
        self._first: list[tuple[float, float]] = []
        self._live: LiveDeviations | None = None
        self._last = math.nan
        self._bridges = LiveBridges()

    def add(self, elapsed_s: float, offset: float) -> None:
        self.readings += 1
        if self._live is None:
            self._first.append((elapsed_s, offset))
            if self.interval_s or len(self._first) == INTERVAL_READINGS:
                self._start()
            return
        steps = (elapsed_s - self.last_s) / self.interval_s
        if steps > GAP_INTERVALS:
            self._fill_lost(self._live, round(steps) - 1, offset)
        self.last_s, self._last = elapsed_s, offset
        self._live.add(offset)
        self._bridges.reading(offset)

    def gap(self, lasted_s: float | None) -> None:
        if self._live is None:
            self._first.clear()
            self.readings = 0
        elif (
            lasted_s is None or lasted_s > (LONGEST_GAP_READINGS + GAP_INTERVALS) * self.interval_s
        ):
            self._live.gap()
            self._bridges.gap()
            self._last = math.nan

    @property
    def span_s(self) -> float:
        return self.last_s - self.began_s if self._live is not None else 0.0

    def table(self) -> tuple[Deviation, ...]:
        if self._live is None:
            return ()
        return self._bridges.correct(self._live.table(), self.interval_s)

    def _fill_lost(self, live: LiveDeviations, lost: int, offset: float) -> None:
        """Fill a few lost readings with the mean of their neighbours; restart after many."""
        if lost > LONGEST_GAP_READINGS or not math.isfinite(self._last):
            live.gap()
            self._bridges.gap()
            return
        for _ in range(lost):
            live.add((self._last + offset) / 2.0)
        self._bridges.bridge(lost)

    def _start(self) -> None:
        times = [elapsed_s for elapsed_s, _ in self._first]
        # numpy's median would import a large module between two readings.
        self.interval_s = self.interval_s or median(b - a for a, b in pairwise(times))
        self.began_s = self.last_s = times[0]
        self._live = LiveDeviations(self.interval_s)
        self.readings -= len(self._first)
        for elapsed_s, offset in self._first:
            self.add(elapsed_s, offset)
        self._first.clear()


def _without_drift(series: _DeviationSeries, history: History) -> tuple[Deviation, ...]:
    """Return deviations after removing a linear drift, from readings still held one by one."""
    known = history.buckets(DRIFT_SPAN_S)
    single = (known.readings == 1) & (known.end_s >= series.began_s)
    times, offset = known.end_s[single], known.mean[single]
    if not series.span_s or len(times) < FEWEST_READINGS:
        return ()
    line = fit_line(times, offset)
    level = offset - line.slope * (times - times[-1])
    breaks = np.flatnonzero(np.diff(times) > GAP_INTERVALS * series.interval_s) + 1
    names = [kind.name for kind in LIVE_KINDS]
    phase = phase_on_grid(times, level, breaks, series.interval_s)
    return stability_table(phase, series.interval_s, names, octave_factors(phase.points))


def warm_up_now(was: WarmUp, fit: WarmUpFit | None, now_s: float) -> WarmUp:
    """Return the warm-up with its fitted curve.

    The curve covers the second half of the warm-up so far and as long a time ahead.

    Args:
        was: the warm-up before.
        fit: the fitted curve; None while there is none.
        now_s: the present, seconds of the run.
    """
    if fit is None:
        return replace(was, curve=Trace(), end=None, end_u=None)
    half_s = (now_s - was.since_s) / 2.0
    times = np.linspace(now_s - half_s, now_s + half_s, CURVE_POINTS)
    curve = Trace(tuple(times.tolist()), tuple(fit.at(times).tolist()))
    return replace(was, curve=curve, end=fit.level, end_u=fit.u_end)


def elsewhere_now(
    estimate: Estimate | None, nominal_hz: float, at_hz: Sequence[float] = ()
) -> ElsewhereNow | None:
    """Return the offset at other frequencies; None without an estimate or a nominal.

    Args:
        estimate: the present offset.
        nominal_hz: the nominal.
        at_hz: the frequencies; empty: `WORKING_MULTIPLES` of the nominal. 1 Hz is always added.
    """
    if estimate is None or not nominal_hz > 0:
        return None
    where = with_one_hertz(at_hz or [factor * nominal_hz for factor in WORKING_MULTIPLES])
    u = estimate.u
    return ElsewhereNow(
        elsewhere(estimate.offset, nominal_hz, where, u),
        seconds_per_day(estimate.offset),
        None if u is None else seconds_per_day(u),
    )


def _recent(history: History, span_s: float) -> Dither | None:
    buckets = history.buckets(span_s)
    return dither(buckets.end_s, buckets.mean)
