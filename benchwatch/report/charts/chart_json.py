"""A chart as plain values for JSON; its coordinates are the only numbers of a report's document."""

import math
from collections.abc import Sequence
from dataclasses import fields
from typing import Any, Final

from benchwatch.report.charts.chart import Chart, ChartAxis, ChartPart

SHARE_KEPT: Final = 1e-5
"""Coordinates are rounded to about this part of their axis, which no print shows."""
LOG_DIGITS: Final = 6
"""Significant digits of coordinates on a logarithmic axis."""
HORIZONTAL: Final = {"x", "at", "begin", "end", "length"}
"""Fields of parts that are coordinates of the horizontal axis."""
VERTICAL: Final = {"y", "low", "high"}


def chart_json(chart: Chart) -> dict[str, Any]:
    """Return a chart as an object for JSON.

    Each part is an object with its ``kind`` (the name of its class in lower case) and its fields.
    What is not known (nan) is null.
    """
    return {
        "name": chart.name,
        "title": chart.title,
        "shows_title": chart.shows_title,
        "alternative": chart.alternative,
        "size": chart.size,
        "x": _axis(chart.x),
        "y": _axis(chart.y),
        "parts": [_part(part, chart.x, chart.y) for part in chart.parts],
    }


def _axis(axis: ChartAxis) -> dict[str, Any]:
    return {
        "label": axis.label,
        "low": axis.low,
        "high": axis.high,
        "log": axis.log,
        "minor": list(axis.minor),
        "ticks": [{"at": tick.at, "text": tick.text} for tick in axis.ticks],
    }


def _part(part: ChartPart, x: ChartAxis, y: ChartAxis) -> dict[str, Any]:
    values: dict[str, Any] = {"kind": type(part).__name__.lower()}
    for field in fields(part):
        value = getattr(part, field.name)
        if field.name in HORIZONTAL:
            value = _rounded(value, x)
        elif field.name in VERTICAL:
            value = _rounded(value, y)
        values[field.name] = value
    return values


def _rounded(value: float | Sequence[float], axis: ChartAxis) -> Any:
    """Round one coordinate, or a list of them."""
    if axis.log:
        return _each(value, lambda one: float(f"{one:.{LOG_DIGITS}g}"))
    decimals = math.ceil(-math.log10((axis.high - axis.low) * SHARE_KEPT))
    return _each(value, lambda one: round(one, decimals))


def _each(value: float | Sequence[float], rounded: Any) -> Any:
    if isinstance(value, Sequence):
        return [rounded(one) if math.isfinite(one) else None for one in value]
    return rounded(value) if math.isfinite(value) else None
