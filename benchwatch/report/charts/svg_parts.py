"""The parts of a chart as elements of SVG."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from benchwatch.report.charts.plot_area import PlotArea
from benchwatch.report.charts.svg_elements import (
    FONT_MM,
    mm,
    shortened,
    stroke,
    text_element,
    width_of,
)

COLUMN_MM: Final = 0.12
"""Points closer together than this are joined; their lowest and highest stay."""
HATCH_MM: Final = 1.3
"""Distance between the lines of a hatching, along the axis."""
LEAST_MOMENT_MM: Final = 0.5
"""Vertical lines closer together than this are drawn as one."""
MOST_WHOLE_MOMENTS: Final = 40
"""Of more vertical lines only the upper ends are drawn, so that they hide nothing."""
MOMENT_END_MM: Final = 2.0
LINE_MM: Final = 0.3
ACCENT: Final = "#123f66"
"""Colour of records: dark blue, which prints as dark grey."""
READINGS: Final = "#555"
DASHES: Final = {"solid": "", "dashed": "1.6 0.9", "dotted": "0.4 0.8"}
BAR_MM: Final = 2.6
LEAST_PAUSE_TEXT_MM: Final = 3.2
"""Width of a broken piece of the axis from which its length is written in it."""
BEHIND_GRID: Final = ("band", "stretch")
BEFORE_GRID: Final = ("edges", "envelope", "moment", "curve")
FOREMOST: Final = ("limits",)
"""Kinds of parts in the order in which they are drawn; ``edges`` are those of bands."""


def part_elements(
    parts: Sequence[Mapping[str, Any]], area: PlotArea, kinds: Sequence[str]
) -> list[str]:
    """Return the elements of the parts of these kinds, in the order of the kinds."""
    drawn: list[str] = []
    for kind in kinds:
        some = [part for part in parts if part["kind"] == ("band" if kind == "edges" else kind)]
        if kind == "moment":
            drawn += moment_elements(some, area)
        else:
            drawn += [element for part in some for element in _DRAWN[kind](part, area)]
    return drawn


def band_elements(part: Mapping[str, Any], area: PlotArea) -> Iterator[str]:
    """Yield a pale area."""
    top, bottom = area.y_mm(part["high"]), area.y_mm(part["low"])
    if bottom > top:
        yield _rectangle(area.left, top, area.right, bottom, 'fill="#e6ecf2"')


def band_edges(part: Mapping[str, Any], area: PlotArea) -> Iterator[str]:
    """Yield a dashed line at each limit of a band that is on the axis."""
    for limit in (part["low"], part["high"]):
        if area.y["low"] < limit < area.y["high"]:
            y = area.y_mm(limit)
            yield stroke((area.left, y), (area.right, y), "#446", width_mm=0.22, dash="1.6 0.9")


def stretch_elements(part: Mapping[str, Any], area: PlotArea) -> Iterator[str]:
    """Yield the hatching of a range of the horizontal axis."""
    yield from hatching(area.x_mm(part["begin"]), area.x_mm(part["end"]), area.top, area.bottom)


def hatching(left: float, right: float, top: float, bottom: float) -> Iterator[str]:
    """Yield thin slanting lines that fill a rectangle, in mm; narrow ones get an outline."""
    right = max(right, left + 0.3)
    lines = []
    rise = bottom - top
    # Lines of all rectangles lie on one raster, so that two beside each other fit together.
    start = (left + top) // HATCH_MM * HATCH_MM
    at = start
    while at <= right + bottom:
        # Points with x + y = at: from the lower left to the upper right.
        x_low, x_high = max(left, at - bottom), min(right, at - top)
        if x_high - x_low > 0.05:
            lines.append(f"M{mm(x_low)} {mm(at - x_low)}L{mm(x_high)} {mm(at - x_high)}")
        at += HATCH_MM
    if rise > 0:
        path = (
            "".join(lines)
            + f"M{mm(left)} {mm(top)}V{mm(bottom)}M{mm(right)} {mm(top)}V{mm(bottom)}"
        )
        yield f'<path d="{path}" stroke="#999" stroke-width="0.12" fill="none"/>'


def envelope_elements(part: Mapping[str, Any], area: PlotArea) -> Iterator[str]:
    """Yield the area between lowest and highest; one for each piece between gaps."""
    fill, colour = ("#d4d4d4", "#999") if part["pale"] else (READINGS, READINGS)
    points = zip(part["x"], part["low"], part["high"], strict=True)
    for piece in _pieces(points, area):
        columns = _joined(piece)
        if len(columns) == 1:
            ((x, top, bottom),) = columns
            yield f'<circle cx="{mm(x)}" cy="{mm((top + bottom) / 2)}" r="0.4" fill="{colour}"/>'
            yield stroke((x, top), (x, bottom), colour, width_mm=0.4)
            continue
        upper = " ".join(f"{mm(x)} {mm(top)}" for x, top, _ in columns)
        lower = " ".join(f"{mm(x)} {mm(bottom)}" for x, _, bottom in reversed(columns))
        yield (
            f'<path d="M{upper}L{lower}Z" fill="{fill}" stroke="{colour}" stroke-width="0.22" '
            'stroke-linejoin="round"/>'
        )


def curve_elements(part: Mapping[str, Any], area: PlotArea) -> Iterator[str]:
    """Yield the line through the points, and their markers."""
    points = zip(part["x"], part["y"], part["y"], strict=True)
    for piece in _pieces(points, area):
        if len(piece) > 1:
            path = " ".join(
                f"{mm(x)} {mm(y)}"
                for x, top, bottom in _joined(piece)
                for y in ((top,) if top == bottom else (top, bottom))
            )
            dash = DASHES[part["style"]]
            more = f' stroke-dasharray="{dash}"' if dash else ""
            yield (
                f'<path d="M{path}" fill="none" stroke="#222" stroke-width="{LINE_MM:g}"'
                f' stroke-linejoin="round"{more}/>'
            )
        for x, y, _ in piece:
            yield from marker_elements(part["marker"], x, y)


def limits_elements(part: Mapping[str, Any], area: PlotArea) -> Iterator[str]:
    """Yield each point with an upright line between its limits."""
    for x, y, low, high in zip(part["x"], part["y"], part["low"], part["high"], strict=True):
        if x is None or y is None or not area.sees_x(x):
            continue
        at, middle = area.x_mm(x), area.y_mm(y)
        if low is not None and high is not None:
            top, bottom = area.y_mm(high), area.y_mm(low)
            yield stroke((at, top), (at, bottom), ACCENT, width_mm=0.3)
            for end in (top, bottom):
                yield stroke((at - 0.7, end), (at + 0.7, end), ACCENT, width_mm=0.3)
        yield from marker_elements(part["marker"], at, middle)


def marker_elements(marker: str, x: float, y: float) -> Iterator[str]:
    """Yield the shape of a point; nothing for ``none``."""
    filled = f'fill="{ACCENT}"'
    hollow = f'fill="#fff" stroke="{ACCENT}" stroke-width="0.35"'
    match marker:
        case "disc":
            yield f'<circle cx="{mm(x)}" cy="{mm(y)}" r="0.85" {filled}/>'
        case "ring":
            yield f'<circle cx="{mm(x)}" cy="{mm(y)}" r="0.8" {hollow}/>'
        case "square":
            yield f'<rect x="{mm(x - 0.75)}" y="{mm(y - 0.75)}" width="1.5" height="1.5" {filled}/>'
        case "diamond":
            path = f"M{mm(x)} {mm(y - 1)}l1 1l-1 1l-1 -1Z"
            yield f'<path d="{path}" {hollow}/>'


def moment_elements(parts: Sequence[Mapping[str, Any]], area: PlotArea) -> Iterator[str]:
    """Yield vertical lines; of those that would touch, one."""
    drawn: list[float] = []
    for part in sorted(parts, key=lambda one: one["at"]):
        x = area.x_mm(part["at"])
        if area.sees_x(part["at"]) and (not drawn or x - drawn[-1] >= LEAST_MOMENT_MM):
            drawn.append(x)
    many = len(drawn) > MOST_WHOLE_MOMENTS
    end = area.top + MOMENT_END_MM if many else area.bottom
    for x in drawn:
        yield stroke((x, area.top), (x, end), "#666", width_mm=0.15, dash="0.7 0.7")


def beyond_elements(parts: Sequence[Mapping[str, Any]], area: PlotArea) -> Iterator[str]:
    """Yield an arrow at the upper or lower edge with words on white beside it."""
    for part in parts:
        if part["kind"] != "beyond" or not area.sees_x(part["at"]):
            continue
        width = width_of(part["text"])
        x = min(max(area.x_mm(part["at"]), area.left + 1.2), area.right - 1.2)
        begin = x + 1.8 if x + 2 + width < area.right else x - 1.8 - width
        edge, way = (area.top, 1.0) if part["above"] else (area.bottom, -1.0)
        middle = edge + way * 1.9
        yield _rectangle(
            begin - 0.3, middle - 1.5, begin + width + 0.3, middle + 1.5, 'fill="#fff"'
        )
        path = f"M{mm(x)} {mm(edge + way * 0.4)}l0.9 {mm(way * 1.9)}l-1.8 0Z"
        yield f'<path d="{path}" fill="{READINGS}"/>'
        yield text_element(begin, middle + 0.95, part["text"])


def pause_elements(parts: Sequence[Mapping[str, Any]], area: PlotArea) -> Iterator[str]:
    """Yield broken pieces of the horizontal axis: blank, with two strokes through the axis."""
    for part in parts:
        if part["kind"] != "pause":
            continue
        left, right = area.x_mm(part["begin"]), area.x_mm(part["end"])
        yield _rectangle(left, area.top, right, area.bottom + 0.2, 'fill="#fff"')
        for x in (left, right):
            yield stroke((x, area.top), (x, area.bottom), "#999", width_mm=0.15, dash="0.3 0.9")
        text = shortened(f"pause {part['text']}", area.bottom - area.top - 2)
        if right - left >= LEAST_PAUSE_TEXT_MM and text:
            x, y = (left + right) / 2 + FONT_MM * 0.35, (area.top + area.bottom) / 2
            yield text_element(x, y, text, anchor="middle", turned=True, grey=True)


def break_marks(parts: Sequence[Mapping[str, Any]], area: PlotArea) -> Iterator[str]:
    """Yield two slanting strokes through the axis at each broken piece."""
    for part in parts:
        if part["kind"] == "pause":
            left, right = area.x_mm(part["begin"]), area.x_mm(part["end"])
            yield _rectangle(left, area.bottom - 0.3, right, area.bottom + 0.3, 'fill="#fff"')
            for x in (left, right):
                yield stroke((x - 0.5, area.bottom + 1.0), (x + 0.5, area.bottom - 1.0), "#111")


def bar_elements(bars: Sequence[Mapping[str, Any]], area: PlotArea) -> Iterator[str]:
    """Yield horizontal bars downwards, each with its label before and its value behind it."""
    row = (area.bottom - area.top) / max(len(bars), 1)
    thick = min(BAR_MM, row * 0.72)
    for number, bar in enumerate(bars):
        middle = area.top + (number + 0.5) * row
        end = area.x_mm(bar["length"])
        fill = ACCENT if bar["total"] else "#a9a9a9"
        yield _rectangle(
            area.left, middle - thick / 2, max(end, area.left + 0.15), middle + thick / 2,
            f'fill="{fill}"',
        )  # fmt: skip
        label = shortened(bar["label"], area.left - 1.8)
        yield text_element(area.left - 1.2, middle + 0.95, label, anchor="end")
        yield text_element(end + 1.0, middle + 0.95, bar["text"], bold=bool(bar["total"]))
    yield stroke((area.left, area.top), (area.left, area.bottom), "#111")
    yield stroke((area.left, area.bottom), (area.right, area.bottom), "#111")


def _pieces(
    points: Iterable[tuple[float | None, float | None, float | None]], area: PlotArea
) -> Iterator[list[tuple[float, float, float]]]:
    """Yield the points between gaps as (x, top, bottom) in mm.

    Of points beyond the vertical axis only those beside one within are kept, at its end.
    """
    piece: list[tuple[float, float, float]] = []
    before: tuple[float, float, float] | None = None
    for x, low, high in points:
        if x is None or low is None or high is None:
            if piece:
                yield piece
            piece, before = [], None
        elif area.sees_x(x):
            beyond = low > area.y["high"] or high < area.y["low"]
            point = (area.x_mm(x), area.y_mm(high), area.y_mm(low))
            if not beyond and before is not None:
                piece.append(before)
            if not beyond or piece:
                piece.append(point)
            if beyond and piece:
                yield piece
                piece = []
            before = point if beyond else None
    if piece:
        yield piece


def _joined(piece: Sequence[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """Join points of one narrow column; its highest and lowest stay."""
    columns: list[tuple[float, float, float]] = []
    for x, top, bottom in piece:
        if columns and abs(x - columns[-1][0]) < COLUMN_MM:
            at, high, low = columns[-1]
            columns[-1] = (at, min(high, top), max(low, bottom))
        else:
            columns.append((x, top, bottom))
    return columns


def _rectangle(left: float, top: float, right: float, bottom: float, more: str) -> str:
    size = f'width="{mm(max(right - left, 0.0))}" height="{mm(max(bottom - top, 0.0))}"'
    return f'<rect x="{mm(left)}" y="{mm(top)}" {size} {more}/>'


_DRAWN: Final = {
    "band": band_elements,
    "edges": band_edges,
    "stretch": stretch_elements,
    "envelope": envelope_elements,
    "curve": curve_elements,
    "limits": limits_elements,
}
