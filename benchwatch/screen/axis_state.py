"""Units, scale and chart axes of one counter, kept from frame to frame so that none flickers."""

import math
from collections import defaultdict
from dataclasses import dataclass, field

from benchwatch.quantity import (
    OFFSET_UNITS,
    PPB,
    OffsetUnit,
    offset_unit,
    steady_decimals,
    write_fraction,
)
from benchwatch.screen.drawing.axis_ranges import SteadyPlaces, SteadyRange, SteadyWindow
from benchwatch.screen.frame import FigureFormat
from benchwatch.screen.text.amounts import in_hertz, places, shown_offset, way_left
from benchwatch.screen.text.rates import RateUnit, rate_unit
from benchwatch.screen.view import ChartRange
from benchwatch.snapshot import Snapshot, Trace

SCALE_TOLERANCES, SCALE_UNCERTAINTIES, CHART_NOISES = 2.0, 5.0, 6.0
"""Least half range of the scale, in tolerances and in uncertainties; least height of a chart's axis
in noise spreads."""
RECENT_SHARE, OUTLYING_SHARE = 0.6, 0.01
"""A chart's axis covers the offsets of the newest 60 % of its time, without the outermost hundredth
at either end."""
FINEST_DIGIT = 1e-15
"""Weight (fractional) below which a digit shows rounding and nothing of the oscillator."""


@dataclass(slots=True, kw_only=True)
class SteadyFormats:
    """Formats of one value in hertz and as a fraction; they shrink late, so that none jumps."""

    hertz: FigureFormat = field(default_factory=FigureFormat)
    fraction: FigureFormat = field(default_factory=FigureFormat)
    _hertz_places: SteadyPlaces = field(default_factory=SteadyPlaces)
    _fraction_places: SteadyPlaces = field(default_factory=SteadyPlaces)

    def follow(
        self, shown: tuple[float, float | None], nominal_hz: float, unit: OffsetUnit, now_s: float
    ) -> None:
        """Adapt decimals and places to the value and its u, both fractional."""
        value, u = shown
        u_hz, u_unit = (None, None) if u is None else (u * nominal_hz, u / unit.size)
        decimals = steady_decimals(u_hz, self.hertz.decimals)
        decimals = _limited(decimals, 1.0 / nominal_hz if nominal_hz > 0 else math.nan)
        needed = places(in_hertz(value, u, nominal_hz, decimals))
        self.hertz = FigureFormat(decimals, self._hertz_places.follow(needed, now_s))
        decimals = steady_decimals(u_unit, self.fraction.decimals)
        decimals = _limited(decimals, unit.size)
        needed = places(write_fraction(value, u, unit, decimals=decimals))
        self.fraction = FigureFormat(decimals, self._fraction_places.follow(needed, now_s))

    def forget_fraction(self) -> None:
        """Begin anew with the format of the fraction, after its unit has changed."""
        self.fraction, self._fraction_places = FigureFormat(), SteadyPlaces()


@dataclass(slots=True, kw_only=True)
class AxisState:
    """Units, scale and chart axes of one counter."""

    unit: OffsetUnit = PPB
    drift_unit: RateUnit = field(default_factory=RateUnit)
    scale: SteadyRange = field(default_factory=SteadyRange)
    windows: dict[str, SteadyWindow] = field(default_factory=lambda: defaultdict(SteadyWindow))
    """Axis of offsets by name of the view; by ``NAME whole`` where it covers all offsets."""
    offset_formats: SteadyFormats = field(default_factory=SteadyFormats)
    left_formats: SteadyFormats = field(default_factory=SteadyFormats)
    """Formats of the way left to the aim."""
    _best_unit: OffsetUnit = PPB
    """The unit by size, for when the operator has chosen none."""

    def follow(self, snapshot: Snapshot, now_s: float, unit: str = "") -> None:
        """Adapt units and scale to a snapshot; `unit`: the operator's choice by name, or empty."""
        numbers = snapshot.numbers
        shown = shown_offset(snapshot)
        offset = math.nan if shown is None else shown[0]
        asked = [one for one in OFFSET_UNITS if one.name == unit]
        # Near zero the offset is compared with the tolerance: the unit must fit that too.
        least = 0.0 if numbers.tolerance is None else numbers.tolerance.limit
        self._best_unit = offset_unit(max(abs(offset), least), self._best_unit)
        before = self.unit
        self.unit = asked[0] if asked else self._best_unit
        if self.unit != before:
            self.offset_formats.forget_fraction()
            self.left_formats.forget_fraction()
        if shown is not None:
            self.offset_formats.follow(shown, snapshot.nominal_hz, self.unit, now_s)
        left = way_left(snapshot)
        if left is not None:
            self.left_formats.follow(left, snapshot.nominal_hz, self.unit, now_s)
        if numbers.drift is not None:
            self.drift_unit = rate_unit(numbers.drift.per_s, self.unit, self.drift_unit)
        sizes = [abs(offset)]
        if numbers.tolerance is not None:
            sizes.append(SCALE_TOLERANCES * numbers.tolerance.limit)
        if numbers.estimate is not None and numbers.estimate.u is not None:
            sizes.append(SCALE_UNCERTAINTIES * numbers.estimate.u)
        tool = snapshot.trim.tool if snapshot.trim is not None else None
        if tool is not None and tool.on:
            sizes.append(abs(tool.aim))
        self.scale.follow(max(sizes) if math.isfinite(offset) else math.nan, now_s)

    def window(
        self, view: str, chart: ChartRange, snapshot: Snapshot, trace: Trace, now_s: float
    ) -> tuple[float, float] | None:
        """Return the ends (fractional) of a view's axis of offsets; None: no offset is known."""
        traces, whole = (trace, chart.curve), chart.whole
        seen = [offset for one in traces for offset in _offsets_shown(one, whole=whole)]
        if seen and snapshot.numbers.estimate is not None:
            seen.append(snapshot.numbers.estimate.offset)
        least = CHART_NOISES * (snapshot.numbers.noise or _resolution(snapshot))
        low, high = (min(seen), max(seen)) if seen else (math.nan, math.nan)
        return self.windows[f"{view} whole" if whole else view].follow(low, high, least, now_s)


def _limited(decimals: int | None, size: float) -> int | None:
    """Limit the decimals, in a unit of `size` (fractional), to digits above `FINEST_DIGIT`."""
    if decimals is None or not size > FINEST_DIGIT:
        return decimals
    return min(decimals, math.floor(math.log10(size / FINEST_DIGIT) + 1e-9))


def _resolution(snapshot: Snapshot) -> float:
    """Return the last digit of the newest reading as a fraction; 0 when unknown."""
    if snapshot.reading is None or not snapshot.nominal_hz > 0:
        return 0.0
    return snapshot.reading.resolution_hz / snapshot.nominal_hz


def _offsets_shown(trace: Trace, *, whole: bool) -> list[float]:
    """Return the offsets of `trace` that the axis must cover."""
    known = [
        (elapsed_s, offset)
        for elapsed_s, offset in zip(trace.elapsed_s, trace.offset, strict=True)
        if math.isfinite(offset)
    ]
    if whole or not known:
        return [offset for _, offset in known]
    first_s, last_s = known[0][0], known[-1][0]
    since_s = last_s - RECENT_SHARE * (last_s - first_s)
    recent = sorted(offset for elapsed_s, offset in known if elapsed_s >= since_s)
    outlying = int(OUTLYING_SHARE * len(recent))
    return recent[outlying : len(recent) - outlying]
