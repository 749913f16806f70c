"""The chart of a visit: all readings over local time, with turns, tool, records and tolerance."""

import math
from collections.abc import Sequence
from datetime import tzinfo
from typing import Any, Final

from benchwatch.clock import local
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.measured_visit.measured_visit import MeasuredVisit, ThinnedOffsets
from benchwatch.quantity import OffsetUnit, how_many, offset_unit, write_fraction
from benchwatch.report.charts.beyond_axis import beyond_parts, covered_values
from benchwatch.report.charts.chart import (
    Band,
    Chart,
    ChartPart,
    ChartSize,
    Envelope,
    Moment,
    Stretch,
)
from benchwatch.report.charts.cut_time import CutTime, cut_time
from benchwatch.report.charts.record_points import ends_of, record_parts, record_words
from benchwatch.report.charts.ticks import offset_axis

TOLERANCE_SEEN: Final = 50.0
"""The axis covers the tolerance where that is at most this many times the largest offset."""
TICKS: Final[dict[ChartSize, tuple[int, int]]] = {"wide": (9, 7), "half": (4, 6)}
"""Figures of the horizontal and of the vertical axis."""
LEAD: Final = 0.15
"""Part of the time between first and last turn that the chart of the trim shows around it."""
LANDING: Final = "landing"
LEAST_LEAD_S: Final = 30.0


def visit_chart(
    measured: MeasuredVisit,
    *,
    records: Sequence[OffsetRecord] = (),
    tolerance: float | None = None,
    nominal_hz: float | None = None,
    size: ChartSize = "wide",
    tz: tzinfo | None = None,
    undated: bool = False,
) -> Chart | None:
    """Return the chart of all that was measured in a visit; None without a reading or record.

    Args:
        measured: the visit.
        records: those to be shown as points with U; undated ones are left out.
        tolerance: fractional; None: there is none.
        nominal_hz: says on the axis what the unit is in hertz; None: not said.
        size: of the chart.
        tz: zone of the local time; None: that of this computer.
        undated: whether the times of `measured` are seconds of a run without dates.
    """
    dated = [one for one in records if one.utc_s is not None]
    time = cut_time(measured.offsets.utc_s, [one.utc_s or 0.0 for one in dated])
    return _offsets_chart(
        "visit", "The visit", measured, time, dated,
        tolerance=tolerance, nominal_hz=nominal_hz, size=size, tz=tz, undated=undated,
    )  # fmt: skip


def trim_chart(
    measured: MeasuredVisit,
    *,
    tolerance: float | None = None,
    nominal_hz: float | None = None,
    size: ChartSize = "half",
    tz: tzinfo | None = None,
) -> Chart | None:
    """Return the chart from shortly before the first turn to shortly after the last.

    None without a turn, or without a reading there. The arguments are those of `visit_chart`.
    """
    if not measured.turns:
        return None
    times = [turn.utc_s for turn in measured.turns]
    lead_s = max(LEAD * (max(times) - min(times)), LEAST_LEAD_S)
    return _part_chart(
        "trim", "The trim", measured, (min(times) - lead_s, max(times) + lead_s), (),
        tolerance=tolerance, nominal_hz=nominal_hz, size=size, tz=tz,
    )  # fmt: skip


def landing_chart(
    measured: MeasuredVisit,
    *,
    records: Sequence[OffsetRecord] = (),
    tolerance: float | None = None,
    nominal_hz: float | None = None,
    size: ChartSize = "half",
    tz: tzinfo | None = None,
) -> Chart | None:
    """Return the chart from the last turn to the end, with the records made there.

    None without a turn, or without a reading since. The arguments are those of `visit_chart`.
    """
    if not has_landing(measured):
        return None
    turned_s = max(turn.utc_s for turn in measured.turns)
    dated = [one for one in records if one.utc_s is not None and one.utc_s > turned_s]
    return _part_chart(
        LANDING, "Since the last turn", measured, (turned_s, math.inf), dated,
        tolerance=tolerance, nominal_hz=nominal_hz, size=size, tz=tz,
    )  # fmt: skip


def has_landing(measured: MeasuredVisit) -> bool:
    """Return whether the trimmer was turned and there is a reading since, which a chart shows."""
    turned_s = max((turn.utc_s for turn in measured.turns), default=math.inf)
    return bool(_times_within(measured, turned_s, math.inf))


def _times_within(measured: MeasuredVisit, begin_s: float, end_s: float) -> list[float]:
    """Return the times of the points with readings within a span, Unix seconds."""
    return [
        utc_s
        for utc_s, low in zip(measured.offsets.utc_s, measured.offsets.low, strict=True)
        if begin_s <= utc_s <= end_s and math.isfinite(low)
    ]


def _part_chart(
    name: str,
    title: str,
    measured: MeasuredVisit,
    span_s: tuple[float, float],
    records: Sequence[OffsetRecord],
    **style: Any,
) -> Chart | None:
    """Return the chart of what was measured within `span_s`, Unix seconds."""
    begin_s, end_s = span_s
    times = _times_within(measured, begin_s, end_s)
    if not times:
        return None
    time = cut_time([*(turn.utc_s for turn in measured.turns if turn.utc_s >= begin_s), *times],
                    [one.utc_s or 0.0 for one in records])  # fmt: skip
    return _offsets_chart(name, title, measured, time, records, part=True, **style)


def fractions_of(offsets: ThinnedOffsets) -> list[float]:
    """Return the lowest and highest of all points; where readings are missing, nan."""
    return [*offsets.low, *offsets.high]


def envelope_of(
    offsets: ThinnedOffsets, unit: OffsetUnit, time: CutTime, *, begin_s: float, end_s: float
) -> Envelope:
    """Return the points from `begin_s` to `end_s` (Unix seconds) as an area; `time` is its axis."""
    kept = [
        (time.at(utc_s), low / unit.size, high / unit.size)
        for utc_s, low, high in zip(offsets.utc_s, offsets.low, offsets.high, strict=True)
        if begin_s <= utc_s <= end_s
    ]
    return Envelope(
        x=tuple(x for x, _, _ in kept),
        low=tuple(low for _, low, _ in kept),
        high=tuple(high for _, _, high in kept),
        label="readings",
    )


def tolerance_part(tolerance: float | None, unit: OffsetUnit) -> list[Band]:
    """Return the band of the tolerance; empty without one."""
    if tolerance is None or not 0 < tolerance < math.inf:
        return []
    limit = tolerance / unit.size
    return [Band(low=-limit, high=limit, label=f"tolerance {tolerance_words(tolerance, unit)}")]


def tolerance_words(tolerance: float, unit: OffsetUnit) -> str:
    """Write a tolerance as ``±5 ppb``."""
    return f"±{tolerance / unit.size:.6g} {unit.name}"


def seen_tolerance(
    tolerance: float | None, values: Sequence[float], most: float = TOLERANCE_SEEN
) -> list[float]:
    """Return what the axis must cover for the tolerance: its limits and zero; nothing if far.

    Args:
        tolerance: fractional; None: there is none.
        values: offsets, fractional.
        most: how many times the largest of them it may be; inf: however far.
    """
    largest = max((abs(value) for value in values if math.isfinite(value)), default=0.0)
    if tolerance is None or not 0 < tolerance < math.inf:
        return []
    if most < math.inf and tolerance > most * largest:
        return []
    return [-tolerance, 0.0, tolerance]


def unit_of(values: Sequence[float]) -> OffsetUnit:
    """Return the unit that fits the largest of fractional offsets."""
    return offset_unit(max((abs(value) for value in values if math.isfinite(value)), default=0.0))


def _offsets_chart(
    name: str,
    title: str,
    measured: MeasuredVisit,
    time: CutTime | None,
    records: Sequence[OffsetRecord],
    *,
    tolerance: float | None,
    nominal_hz: float | None,
    size: ChartSize,
    tz: tzinfo | None,
    undated: bool = False,
    part: bool = False,
) -> Chart | None:
    """Return a chart; `part`: of a part of the visit, whose axis covers all of it."""
    if time is None:
        return None
    points = [
        (utc_s, low, high)
        for utc_s, low, high in zip(
            measured.offsets.utc_s, measured.offsets.low, measured.offsets.high, strict=True
        )
        if time.begin_s <= utc_s <= time.end_s
    ]
    ends = ends_of(records)
    every = [*(end for _, low, high in points for end in (low, high)), *ends]
    values = every if part else covered_values(points, measured, records, ends)
    most = math.inf if name == LANDING else TOLERANCE_SEEN
    values = [*values, *seen_tolerance(tolerance, values, most)]
    unit = unit_of(values)
    most_x, most_y = TICKS[size]
    y = offset_axis(values, unit, nominal_hz, most=most_y)
    if y is None:
        return None
    parts: list[ChartPart] = [*tolerance_part(tolerance, unit)]
    parts += _tool_parts(measured, time)
    parts.append(envelope_of(measured.offsets, unit, time, begin_s=time.begin_s, end_s=time.end_s))
    parts += time.pauses()
    parts += beyond_parts(points, y, unit, time)
    parts += _moments(measured, time)
    parts += record_parts(records, unit, time.at)
    return Chart(
        name=name,
        title=title,
        alternative=_alternative(
            measured, time, records, every, unit, tolerance=tolerance, tz=tz, undated=undated
        ),
        x=time.axis(most_x, tz, undated=undated),
        y=y,
        parts=tuple(parts),
        size=size,
    )


def _tool_parts(measured: MeasuredVisit, time: CutTime) -> list[Stretch]:
    parts = []
    for span in measured.tool_on:
        begin = max(span.begin_utc_s, time.begin_s)
        end = min(time.end_s if span.end_utc_s is None else span.end_utc_s, time.end_s)
        if begin < end:
            parts.append(Stretch(begin=time.at(begin), end=time.at(end), label="tool on"))
    return parts


def _moments(measured: MeasuredVisit, time: CutTime) -> list[Moment]:
    """Return the turns, numbered from the first of the visit on, and when it settled."""
    turns = [
        Moment(at=time.at(turn.utc_s), text=str(number), label="turns")
        for number, turn in enumerate(measured.turns, 1)
        if time.begin_s <= turn.utc_s <= time.end_s
    ]
    return sorted([*turns, *_settled(measured, time)], key=lambda one: one.at)


def _settled(measured: MeasuredVisit, time: CutTime) -> list[Moment]:
    """Return when it settled at first, and at first after the last turn."""
    marks = sorted(
        mark.utc_s
        for mark in measured.settle_marks
        if mark.state == "settled" and time.begin_s <= mark.utc_s <= time.end_s
    )
    turned_s = max((turn.utc_s for turn in measured.turns), default=math.inf)
    shown = [*marks[:1], *[one for one in marks if one >= turned_s][:1]]
    return [Moment(at=time.at(utc_s), text="settled") for utc_s in dict.fromkeys(shown)]


def _alternative(
    measured: MeasuredVisit,
    time: CutTime,
    records: Sequence[OffsetRecord],
    values: Sequence[float],
    unit: OffsetUnit,
    *,
    tolerance: float | None,
    tz: tzinfo | None,
    undated: bool,
) -> str:
    finite = [value for value in values if math.isfinite(value)]
    decimals = _decimals(finite, unit)
    low, high = (_digits(end, unit, decimals) for end in (min(finite), max(finite)))
    when = ""
    if not undated:
        begin, end = local(time.begin_s, tz), local(time.end_s, tz)
        same = begin.date() == end.date()
        when = f" from {begin:%Y-%m-%d %H:%M} to {end:{'%H:%M' if same else '%Y-%m-%d %H:%M'}}"
    said = [f"Offset{when}, between {low} and {high} {unit.name}"]
    turns = sum(time.begin_s <= turn.utc_s <= time.end_s for turn in measured.turns)
    if turns:
        said.append(how_many(turns, "turn"))
    said += [record_words(one, unit) for one in records]
    if tolerance is not None:
        said.append(f"tolerance {tolerance_words(tolerance, unit)}")
    return f"{'; '.join(said)}."


def _decimals(values: Sequence[float], unit: OffsetUnit) -> int:
    """Return the decimals that tell the lowest of `values` from the highest."""
    spread = (max(values) - min(values)) / unit.size
    return min(max(1 - math.floor(math.log10(spread)), 0), 9) if spread > 0 else 3


def _digits(offset: float, unit: OffsetUnit, decimals: int) -> str:
    """Write an offset to so many decimals; what is rounded to zero has no sign."""
    digits = write_fraction(offset, None, unit, decimals=decimals).digits
    return digits if digits.strip("+-0.") else digits.lstrip("+-")
