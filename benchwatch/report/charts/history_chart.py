"""The chart of a unit over its visits: as found, as left, and what is to be expected."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from itertools import pairwise
from typing import Final

from benchwatch.clock import local
from benchwatch.estimate.ageing.ageing_forecast import AgeingForecast
from benchwatch.estimate.ageing.interval_ageing import IntervalAgeing
from benchwatch.estimate.ageing.visit_history import YEAR_DAYS
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import DEFAULT_COVERAGE
from benchwatch.quantity import OffsetUnit, how_many, write_fraction
from benchwatch.reading import MEASURED
from benchwatch.register.visit import Visit, VisitRecord
from benchwatch.report.charts.chart import (
    Chart,
    ChartAxis,
    ChartPart,
    ChartSize,
    Curve,
    Envelope,
    LineStyle,
)
from benchwatch.report.charts.record_points import ends_of, record_parts, record_words
from benchwatch.report.charts.ticks import (
    DAY_S,
    clock_label,
    clock_ticks,
    offset_axis,
)
from benchwatch.report.charts.visit_chart import (
    seen_tolerance,
    tolerance_part,
    tolerance_words,
    unit_of,
)
from benchwatch.report.unit_standing import UnitStanding

FORECAST_POINTS: Final = 25
LONGEST_FORECAST_DAYS: Final = 5 * YEAR_DAYS
MARGIN: Final = 0.03
"""Part of the time that is left free before the first visit and after the last."""
TICKS: Final[dict[ChartSize, tuple[int, int]]] = {"wide": (8, 7), "half": (6, 6)}


def history_chart(
    standing: UnitStanding,
    *,
    forecast: bool = False,
    nominal_hz: float | None = None,
    size: ChartSize = "half",
    tz: tzinfo | None = None,
) -> Chart | None:
    """Return the chart of all visits of a unit; None without a record.

    Args:
        standing: the unit and its visits.
        forecast: whether what is expected after the newest record is drawn, with its band.
        nominal_hz: says on the axis what the unit is in hertz; None: not said.
        size: of the chart.
        tz: zone of the local time; None: that of this computer.
    """
    tolerance, newest = standing.unit.tolerance, standing.newest
    visits = [one for one in map(_measured, _comparable(standing)) if one is not None]
    every = [point for visit in visits for point in visit.points]
    if not every:
        return None
    times = [one.utc_s for one in every]
    ahead: Sequence[AgeingForecast] = ()
    if forecast and standing.ageing is not None and newest is not None:
        ahead = _forecasts(standing.ageing, max(times) - min(times))
        times.append(newest.utc_s + ahead[-1].days * DAY_S)
    values = [one.record.offset for one in every]
    ends = ends_of(one.record for one in every)
    ends += [end for one in ahead for end in (one.low, one.offset, one.high) if end is not None]
    unit = unit_of([*values, *ends])
    most_x, most_y = TICKS[size]
    y = offset_axis([*ends, *seen_tolerance(tolerance, values)], unit, nominal_hz, most=most_y)
    if y is None:
        return None
    parts: list[ChartPart] = [*tolerance_part(tolerance, unit)]
    if ahead and newest is not None:
        parts += _forecast_parts(ahead, newest.utc_s, unit)
    parts += [_left_alone(visits, unit), _trims(visits, unit)]
    parts += record_parts([replace(one.record, utc_s=one.utc_s) for one in every], unit, float)
    return Chart(
        name="history",
        title="Visits of the unit",
        alternative=_alternative(visits, ahead, tolerance, unit, tz),
        x=_time_axis(min(times), max(times), most_x, tz),
        y=y,
        parts=tuple(part for part in parts if not isinstance(part, Curve) or part.x),
        size=size,
    )


@dataclass(frozen=True, slots=True)
class DatedRecord:
    """A record with its time; where it has none, that of its entry in the register."""

    utc_s: float
    record: OffsetRecord


@dataclass(frozen=True, slots=True)
class VisitEnds:
    """What a visit began and ended with; equal where there is one record only."""

    first: DatedRecord
    last: DatedRecord

    @property
    def points(self) -> list[DatedRecord]:
        """Its records, without repetition."""
        return [self.first] if self.first == self.last else [self.first, self.last]


def _comparable(standing: UnitStanding) -> list[Visit]:
    """Return the visits but those that were measured under another nominal."""
    others = set(standing.history.other_nominals)
    return [one for one in standing.visits if others.isdisjoint({one.name, str(one.number)})]


def _measured(visit: Visit) -> VisitEnds | None:
    """Return what a visit began and ended with; None without a record."""
    plain = next((one for one in reversed(visit.records) if one.record.kind == MEASURED), None)
    first = visit.as_found or visit.as_left or plain
    last = visit.as_left or visit.as_found or plain
    if first is None or last is None:
        return None
    return VisitEnds(*(DatedRecord(_time_of(one), one.record) for one in (first, last)))


def _time_of(one: VisitRecord) -> float:
    return one.at_utc_s if one.record.utc_s is None else one.record.utc_s


def _left_alone(visits: Sequence[VisitEnds], unit: OffsetUnit) -> Curve:
    """Return lines from the end of each visit to the begin of the next: nobody turned there."""
    pairs = [(before.last, after.first) for before, after in pairwise(visits)]
    return _lines(pairs, unit, "solid", "left alone")


def _trims(visits: Sequence[VisitEnds], unit: OffsetUnit) -> Curve:
    """Return lines from as found to as left of each visit in which it was trimmed."""
    pairs = [(one.first, one.last) for one in visits if one.first != one.last]
    return _lines(pairs, unit, "dotted", "trimmed")


def _lines(
    pairs: Sequence[tuple[DatedRecord, DatedRecord]],
    unit: OffsetUnit,
    style: LineStyle,
    label: str,
) -> Curve:
    """Return a line from the first to the second of each pair."""
    x = [time for a, b in pairs for time in (a.utc_s, b.utc_s, b.utc_s)]
    y = [
        value
        for a, b in pairs
        for value in (a.record.offset / unit.size, b.record.offset / unit.size, math.nan)
    ]
    return Curve(x=tuple(x), y=tuple(y), style=style, label=label)


def _forecasts(ageing: IntervalAgeing, span_s: float) -> list[AgeingForecast]:
    """Return forecasts over as long as the visits reach back, but at least a year."""
    days = min(max(YEAR_DAYS, span_s / DAY_S), LONGEST_FORECAST_DAYS)
    return [
        ageing.forecast(days * number / (FORECAST_POINTS - 1)) for number in range(FORECAST_POINTS)
    ]


def _forecast_parts(
    ahead: Sequence[AgeingForecast], from_utc_s: float, unit: OffsetUnit
) -> list[ChartPart]:
    x = tuple(from_utc_s + one.days * DAY_S for one in ahead)
    expected = Curve(
        x=x, y=tuple(one.offset / unit.size for one in ahead), style="dashed", label="expected"
    )
    low, high = (
        tuple(math.nan if end is None else end / unit.size for end in ends)
        for ends in ([one.low for one in ahead], [one.high for one in ahead])
    )
    if not any(math.isfinite(end) for end in low):
        return [expected]
    label = f"{DEFAULT_COVERAGE * 100:g} % of forecasts"
    return [Envelope(x=x, low=low, high=high, label=label, pale=True), expected]


def _time_axis(begin_s: float, end_s: float, most: int, tz: tzinfo | None) -> ChartAxis:
    margin = max(MARGIN * (end_s - begin_s), 60.0 if end_s > begin_s else DAY_S)
    low, high = begin_s - margin, end_s + margin
    return ChartAxis(
        label=clock_label(low, high, tz),
        low=low,
        high=high,
        ticks=clock_ticks(low, high, most, tz, dated=True),
    )


def _alternative(
    visits: Sequence[VisitEnds],
    ahead: Sequence[AgeingForecast],
    tolerance: float | None,
    unit: OffsetUnit,
    tz: tzinfo | None,
) -> str:
    begin, end = (local(one.utc_s, tz) for one in (visits[0].first, visits[-1].last))
    said = f"{how_many(len(visits), 'visit')} from {begin:%Y-%m-%d} to {end:%Y-%m-%d}; newest "
    said += record_words(visits[-1].last.record, unit)
    if tolerance is not None:
        said += f"; tolerance {tolerance_words(tolerance, unit)}"
    if ahead:
        last = ahead[-1]
        half = None if last.low is None or last.high is None else (last.high - last.low) / 2.0
        text = write_fraction(last.offset, half, unit).bare
        said += f"; {text} is expected {last.days / YEAR_DAYS:.2g} years after it"
    return f"{said}."
