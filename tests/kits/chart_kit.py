"""Made visits as charts see them: good, degenerate, huge; and what is drawn of a chart."""

import math
import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree as ET

from register_kit import record

from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.measured_visit.measured_visit import (
    MeasuredVisit,
    SettleMark,
    Span,
    ThinnedOffsets,
    Turn,
)
from benchwatch.reading import AS_FOUND, AS_LEFT
from benchwatch.report.charts.chart import Chart
from benchwatch.report.charts.chart_json import chart_json
from benchwatch.report.charts.svg import svg_of

BEGIN_S = datetime(2026, 11, 28, 16, 3, 20, tzinfo=UTC).timestamp()
"""When the made visits begin."""
NIGHT_S = 14 * 3600.0
LEVELS_PPB = (36.97, 25.0, 12.5, 3.2, 0.41)
SVG = "{http://www.w3.org/2000/svg}"


def offsets(
    times: Sequence[float], ppb: Sequence[float], spread_ppb: float = 0.05
) -> ThinnedOffsets:
    """Return points at offsets in ppb, each with a spread about it."""
    return ThinnedOffsets(
        utc_s=tuple(times),
        low=tuple((value - spread_ppb) * 1e-9 for value in ppb),
        high=tuple((value + spread_ppb) * 1e-9 for value in ppb),
        readings=3 * len(ppb),
    )


def made_visit(*, night: bool = True, cold_ppb: float = 200.0) -> MeasuredVisit:
    """Return a warm-up, a night's pause, four turns with the tool on, and ten minutes of rest."""
    times = [BEGIN_S + s for s in range(0, 1800, 4)]
    ppb = [LEVELS_PPB[0] + cold_ppb * math.exp(-s / 160.0) for s in range(0, 1800, 4)]
    warm_up = offsets(times, ppb)
    now_s = times[-1]
    if night:
        times.append(now_s + 1.0)
        ppb.append(math.nan)
        now_s += NIGHT_S
    turns: list[Turn] = []
    tool: list[Span] = []
    for before, after in pairwise(LEVELS_PPB):
        times += [now_s + s for s in range(4, 120, 4)]
        ppb += [before] * 29
        now_s += 120.0
        tool.append(Span(begin_utc_s=now_s, end_utc_s=now_s + 48.0))
        turns.append(Turn(utc_s=now_s + 24.0, size=(after - before) * 1e-9))
        times += [now_s + s for s in range(4, 48, 4)]
        ppb += [(before if s < 24 else after) + 6.0 for s in range(4, 48, 4)]
        now_s += 48.0
    times += [now_s + s for s in range(4, 600, 4)]
    ppb += [LEVELS_PPB[-1]] * 149
    return MeasuredVisit(
        offsets=offsets(times, ppb),
        warm_up=warm_up,
        power_on_utc_s=BEGIN_S - 20.0,
        turns=tuple(turns),
        tool_on=tuple(tool),
        settle_marks=(
            SettleMark(utc_s=BEGIN_S + 30.0, state="warming", text="moves"),
            SettleMark(utc_s=BEGIN_S + 1100.0, state="settled", text="settled"),
        ),
    )


def made_records(visit: MeasuredVisit) -> list[OffsetRecord]:
    """Return as found and as left of a made visit."""
    end_s = visit.offsets.utc_s[-1]
    return [
        record(AS_FOUND, LEVELS_PPB[0] * 1e-9, utc_s=BEGIN_S + 1750.0),
        record(AS_LEFT, LEVELS_PPB[-1] * 1e-9, utc_s=end_s - 30.0),
    ]


def drawing(chart: Chart | None) -> str:
    """Return the SVG of a chart that is there."""
    assert chart is not None
    return svg_of(chart_json(chart))


def texts(svg: str) -> list[str]:
    """Return the words that are drawn, without title and description."""
    return [element.text or "" for element in ET.fromstring(svg).iter(f"{SVG}text")]


def points(svg: str) -> Iterator[tuple[float, float]]:
    """Yield every point that an element of the drawing names, in mm."""
    for element in ET.fromstring(svg).iter():
        name, values = element.tag.removeprefix(SVG), element.attrib
        if name == "path":
            yield from _path_points(values["d"])
        elif name in {"rect", "text"}:
            x, y = float(values["x"]), float(values["y"])
            yield x, y
            if name == "rect":
                yield x + float(values["width"]), y + float(values["height"])
        elif name == "circle":
            x, y, r = (float(values[key]) for key in ("cx", "cy", "r"))
            yield from ((x - r, y - r), (x + r, y + r))


def _path_points(path: str) -> Iterator[tuple[float, float]]:
    x = y = 0.0
    for letter, numbers in re.findall(r"([A-Za-z])([^A-Za-z]*)", path):
        values = [float(one) for one in re.findall(r"-?[0-9.]+", numbers)]
        match letter:
            case "M" | "L":
                for x, y in zip(values[::2], values[1::2], strict=True):
                    yield x, y
            case "H":
                x = values[0]
                yield x, y
            case "V":
                y = values[0]
                yield x, y
            case "h":
                x += values[0]
                yield x, y
            case "v":
                y += values[0]
                yield x, y
            case "l":
                x, y = x + values[0], y + values[1]
                yield x, y


def fields_of(chart: Chart, kind: str) -> list[dict[str, Any]]:
    """Return the parts of one kind, as in the JSON form."""
    return [part for part in chart_json(chart)["parts"] if part["kind"] == kind]
