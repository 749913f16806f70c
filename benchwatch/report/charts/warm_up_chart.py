"""The chart of a warm-up: the offset over time since power-on, with its settle marks."""

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import tzinfo
from typing import Final

from benchwatch.clock import local, zone_name
from benchwatch.measured_visit.measured_visit import MeasuredVisit, SettleMark, ThinnedOffsets
from benchwatch.quantity import OffsetUnit, format_duration, write_fraction
from benchwatch.report.charts.chart import (
    Chart,
    ChartAxis,
    ChartPart,
    ChartSize,
    Curve,
    Envelope,
    Moment,
    Tick,
)
from benchwatch.report.charts.cut_time import cut_time
from benchwatch.report.charts.ticks import (
    DAY_S,
    HOUR_S,
    MINUTE_S,
    duration_ticks,
    offset_axis,
)
from benchwatch.report.charts.visit_chart import (
    fractions_of,
    seen_tolerance,
    tolerance_part,
    unit_of,
)

LOG_FROM: Final = 20.0
"""Time is drawn as its logarithm where the last reading comes this many times later than the
first."""
MOST_TOLERANCE: Final = 8.0
"""The axis covers the tolerance where that is at most this many times the largest offset."""
EARLIEST_S: Final = 0.1
"""Earliest time on a logarithmic axis, after power-on."""
LOG_TICKS_S: Final = (
    1, 10, 30, MINUTE_S, 3 * MINUTE_S, 10 * MINUTE_S, 30 * MINUTE_S, HOUR_S, 3 * HOUR_S,
    10 * HOUR_S, DAY_S, 3 * DAY_S, 10 * DAY_S, 30 * DAY_S, 100 * DAY_S,
)  # fmt: skip
TICKS: Final[dict[ChartSize, tuple[int, int]]] = {"wide": (8, 7), "half": (5, 6)}


def warm_up_chart(
    measured: MeasuredVisit,
    *,
    tolerance: float | None = None,
    nominal_hz: float | None = None,
    log_time: bool | None = None,
    curve: ThinnedOffsets | None = None,
    size: ChartSize = "half",
    tz: tzinfo | None = None,
    undated: bool = False,
) -> Chart | None:
    """Return the chart of the offset since power-on; None without a reading of the warm-up.

    Args:
        measured: the visit.
        tolerance: fractional; drawn where the offsets come near it.
        nominal_hz: says on the axis what the unit is in hertz; None: not said.
        log_time: whether time is drawn as its logarithm; None: where the readings span enough.
        curve: a fitted curve, drawn dotted; its `low` is drawn.
        size: of the chart.
        tz: zone of the local time; None: that of this computer.
        undated: whether the times of `measured` are seconds of a run without dates.
    """
    offsets = _until_pause(measured)
    fitted = curve or ThinnedOffsets()
    finite = [
        utc_s
        for utc_s, low in zip(offsets.utc_s, offsets.low, strict=True)
        if math.isfinite(low) and math.isfinite(utc_s)
    ]
    values = [*fractions_of(offsets), *fitted.low]
    if not finite:
        return None
    since_s = finite[0] if measured.power_on_utc_s is None else measured.power_on_utc_s
    since_s = min(since_s, finite[0])
    unit = unit_of(values)
    most_x, most_y = TICKS[size]
    y = offset_axis(
        [*values, *seen_tolerance(tolerance, values, MOST_TOLERANCE)], unit, nominal_hz, most=most_y
    )
    if y is None:
        return None
    first = max(next((at for at in finite if at > since_s), since_s) - since_s, EARLIEST_S)
    last = max(finite[-1], *fitted.utc_s, since_s + EARLIEST_S) - since_s
    log = last >= LOG_FROM * first if log_time is None else log_time
    x = _time_axis(first, last, since_s, most_x, tz, log=log, undated=undated)
    parts: list[ChartPart] = [*tolerance_part(tolerance, unit)]
    parts.append(_envelope(offsets, unit, since_s, x))
    if curve is not None:
        parts.append(
            Curve(
                x=tuple(utc_s - since_s for utc_s in curve.utc_s),
                y=tuple(value / unit.size for value in curve.low),
                style="dotted",
                label="fitted curve",
            )
        )
    marks = _shown_marks(measured, x, since_s)
    parts += [Moment(at=mark.utc_s - since_s, text=mark.state) for mark in marks]
    return Chart(
        name="warm-up",
        title="Warm-up",
        alternative=_alternative(offsets, since_s, finite[-1], unit, marks, tz=tz, undated=undated),
        x=x,
        y=y,
        parts=tuple(parts),
        size=size,
    )


def _until_pause(measured: MeasuredVisit) -> ThinnedOffsets:
    """Return the warm-up up to the first long pause after it has settled; all of it without one."""
    offsets = measured.warm_up
    settled_s = next(
        (mark.utc_s for mark in measured.settle_marks if mark.state == "settled"), math.inf
    )
    time = cut_time(offsets.utc_s)
    cuts = () if time is None else time.cuts
    end_s = next((cut.begin_s for cut in cuts if cut.begin_s >= settled_s), math.inf)
    kept = [at for at, utc_s in enumerate(offsets.utc_s) if utc_s <= end_s]
    return replace(
        offsets,
        utc_s=tuple(offsets.utc_s[at] for at in kept),
        low=tuple(offsets.low[at] for at in kept),
        high=tuple(offsets.high[at] for at in kept),
    )


def _time_axis(
    first: float,
    last: float,
    since_s: float,
    most: int,
    tz: tzinfo | None,
    *,
    log: bool,
    undated: bool,
) -> ChartAxis:
    """Return the axis of seconds since power-on; below each figure stands the local time."""
    if log:
        low, high = first / 1.1, max(last, first * 2.0) * 1.05
        ticks = [(float(s), format_duration(s)) for s in LOG_TICKS_S if low <= s <= high]
    else:
        low, high = 0.0, last
        ticks = [(tick.at, tick.text) for tick in duration_ticks(low, high, most)]
    label = "since power-on"
    if not undated:
        then = local(since_s, tz)
        label += f"; local time ({zone_name(then)}), {then:%Y-%m-%d}"
        form = "%H:%M:%S" if last < 5 * MINUTE_S else "%H:%M"
        ticks = [(at, f"{text}\n{local(since_s + at, tz):{form}}") for at, text in ticks]
    return ChartAxis(
        label=label, low=low, high=high, log=log, ticks=tuple(Tick(at, text) for at, text in ticks)
    )


def _envelope(offsets: ThinnedOffsets, unit: OffsetUnit, since_s: float, x: ChartAxis) -> Envelope:
    kept = [
        (max(utc_s - since_s, x.low), low / unit.size, high / unit.size)
        for utc_s, low, high in zip(offsets.utc_s, offsets.low, offsets.high, strict=True)
        if math.isfinite(utc_s)
    ]
    return Envelope(
        x=tuple(at for at, _, _ in kept),
        low=tuple(low for _, low, _ in kept),
        high=tuple(high for _, _, high in kept),
        label="readings",
    )


def _shown_marks(measured: MeasuredVisit, x: ChartAxis, since_s: float) -> Sequence[SettleMark]:
    """Return the settle marks within the axis but those of the state it began in: warming."""
    inside = [one for one in measured.settle_marks if x.low <= one.utc_s - since_s <= x.high]
    first = next((at for at, one in enumerate(inside) if one.state != "warming"), len(inside))
    return inside[first:]


def _alternative(
    offsets: ThinnedOffsets,
    since_s: float,
    end_s: float,
    unit: OffsetUnit,
    marks: Sequence[SettleMark],
    *,
    tz: tzinfo | None,
    undated: bool,
) -> str:
    pairs = [pair for pair in zip(offsets.low, offsets.high, strict=True) if math.isfinite(pair[0])]
    begin, end = (write_fraction(sum(pair) / 2.0, None, unit) for pair in (pairs[0], pairs[-1]))
    said = f"Offset over {format_duration(end_s - since_s)} since power-on: "
    said += f"{begin.digits} {begin.unit} at first, {end.digits} {end.unit} in the end"
    settled = next((one for one in marks if one.state == "settled"), None)
    if settled is None:
        return f"{said}; it did not settle."
    at = "" if undated else f", at {local(settled.utc_s, tz):%H:%M}"
    return f"{said}; settled after {format_duration(settled.utc_s - since_s)}{at}."
