"""Records of an offset in charts: points with U, and how they are written."""

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import USUAL_COVERAGE
from benchwatch.quantity import OffsetUnit, write_fraction
from benchwatch.reading import AS_FOUND, AS_LEFT
from benchwatch.report.charts.chart import Limits, Marker

MARKERS: Final[dict[str, Marker]] = {AS_FOUND: "ring", AS_LEFT: "disc"}
OTHER_MARKER: Final[Marker] = "diamond"


def record_words(record: OffsetRecord, unit: OffsetUnit) -> str:
    """Write a record with U: ``as found +36.97 ± 0.05 ppb``."""
    half = record.half_width(USUAL_COVERAGE)
    text = write_fraction(record.offset, half, unit)
    return f"{record.kind} {f'{text.bare}, U unknown' if half is None else text}"


def ends_of(records: Iterable[OffsetRecord]) -> list[float]:
    """Return the ends of the intervals offset ± U of all records, fractional."""
    return [
        record.offset + side * (record.half_width(USUAL_COVERAGE) or 0.0)
        for record in records
        for side in (-1.0, 1.0)
    ]


def record_parts(
    records: Sequence[OffsetRecord], unit: OffsetUnit, at: Callable[[float], float]
) -> list[Limits]:
    """Return the dated records as points with U, one part for each kind.

    Args:
        records: of one visit.
        unit: of the vertical axis.
        at: returns where a time, Unix seconds, is on the horizontal axis.
    """
    parts = []
    for kind in dict.fromkeys(record.kind for record in records):
        some = [one for one in records if one.kind == kind and one.utc_s is not None]
        if not some:
            continue
        halves = [one.half_width(USUAL_COVERAGE) for one in some]
        known = [math.nan if half is None else half / unit.size for half in halves]
        y = [one.offset / unit.size for one in some]
        parts.append(
            Limits(
                x=tuple(at(one.utc_s or 0.0) for one in some),
                y=tuple(y),
                low=tuple(value - half for value, half in zip(y, known, strict=True)),
                high=tuple(value + half for value, half in zip(y, known, strict=True)),
                marker=MARKERS.get(kind, OTHER_MARKER),
                label=f"{kind} ± U",
            )
        )
    return parts
