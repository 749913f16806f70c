"""Which offsets the vertical axis of a visit covers, and what is said of those beyond it."""

import math
from collections.abc import Iterable, Sequence
from typing import Final

from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.measured_visit.measured_visit import MeasuredVisit
from benchwatch.quantity import OffsetUnit, write_fraction
from benchwatch.report.charts.chart import Beyond, ChartAxis
from benchwatch.report.charts.cut_time import CutTime

FAR: Final = 3.0
"""A warm-up is left beyond the axis where it would make that this many times as long."""

Points = Sequence[tuple[float, float, float]]
"""Time (Unix seconds), lowest and highest (fractions)."""


def covered_values(
    points: Points,
    measured: MeasuredVisit,
    records: Iterable[OffsetRecord],
    others: Sequence[float],
) -> list[float]:
    """Return the offsets (fractional) that the axis is to cover.

    These are all, but where the warm-up would flatten what came after it: then those since the
    visit was first settled, turned or put on record.

    Args:
        points: all that is drawn.
        measured: the visit.
        records: those that are drawn.
        others: further values that must be on the axis.
    """
    every = [*(end for _, low, high in points for end in (low, high)), *others]
    begins = [mark.utc_s for mark in measured.settle_marks if mark.state == "settled"]
    begins += [turn.utc_s for turn in measured.turns]
    begins += [one.utc_s - one.span_s / 2.0 for one in records if one.utc_s is not None]
    later = [
        end for at, low, high in points for end in (low, high) if at >= min(begins, default=at)
    ]
    if not any(map(math.isfinite, later)):
        return every
    later += others
    return later if _length(every) > FAR * _length(later) > 0 else every


def beyond_parts(points: Points, axis: ChartAxis, unit: OffsetUnit, time: CutTime) -> list[Beyond]:
    """Return the marks that say how far readings lie beyond the axis, above and below.

    Args:
        points: all that is drawn.
        axis: the vertical axis, in `unit`.
        unit: of the axis.
        time: the horizontal axis.
    """
    parts = []
    for above in (True, False):
        ends = [(at, high if above else low) for at, low, high in points]
        finite = [(at, value) for at, value in ends if math.isfinite(value)]
        if not finite:
            continue
        at, value = (max if above else min)(finite, key=lambda one: one[1])
        scaled = value / unit.size
        if scaled > axis.high if above else scaled < axis.low:
            text = write_fraction(value, None, unit, decimals=0)
            parts.append(Beyond(at=time.at(at), above=above, text=f"to {text.bare}"))
    return parts


def _length(values: Sequence[float]) -> float:
    finite = [value for value in values if math.isfinite(value)]
    return max(finite) - min(finite)
