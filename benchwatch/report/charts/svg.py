"""Draws a chart as SVG: black, greys, dashes and hatching, in mm; it needs nothing from outside.

In: the object that `chart_json` returns. Out: one ``svg`` element with title and description,
without script, style sheet, ids or references, so that several fit into one page of HTML.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from benchwatch.quantity.superscripts import raised_powers
from benchwatch.report.charts.plot_area import PlotArea
from benchwatch.report.charts.svg_elements import (
    BOLD,
    FONT_MM,
    TITLE_MM,
    attribute,
    escaped,
    mm,
    shortened,
    stroke,
    text_element,
    width_of,
)
from benchwatch.report.charts.svg_legend import LEGEND_ROW_MM, legend_elements, legend_rows
from benchwatch.report.charts.svg_parts import (
    BEFORE_GRID,
    BEHIND_GRID,
    FOREMOST,
    bar_elements,
    beyond_elements,
    break_marks,
    part_elements,
    pause_elements,
)

SIZES_MM: Final = {"wide": (170.0, 62.0), "half": (83.0, 46.0)}
"""Width and height of each size."""
BAR_ROW_MM: Final = 4.0
AROUND_BARS_MM: Final = 12.5
"""Height of title, axis and label of a chart of bars."""
EDGE_MM: Final = 0.6
ROW_MM: Final = 3.4
"""From one line of text to the next."""
GAP_MM: Final = 1.2
"""Least distance between two texts beside each other."""
BAR_LABELS: Final = 0.46
"""Largest part of the width that the labels of bars take."""
MOST_LEGEND_ROWS: Final = 3


def size_mm(chart: Mapping[str, Any]) -> tuple[float, float]:
    """Return width and height of a chart; one of few bars is no higher than they need."""
    width, height = SIZES_MM[chart["size"]]
    bars = sum(part["kind"] == "bar" for part in chart["parts"])
    return width, min(height, AROUND_BARS_MM + BAR_ROW_MM * bars) if bars else height


def svg_of(chart: Mapping[str, Any]) -> str:
    """Return the drawing of a chart.

    Args:
        chart: as `chart_json` returns it.
    """
    width, height = size_mm(chart)
    bars = [part for part in chart["parts"] if part["kind"] == "bar"]
    moments = _moment_words(chart["parts"])
    legend = legend_rows(chart["parts"], width - 2 * EDGE_MM)[:MOST_LEGEND_ROWS]
    area = _plot_area(chart, width, height, bars, len(legend), strip=bool(moments))
    drawn = [*_title(chart, width, bars)]
    if bars:
        drawn += [*_x_axis(chart["x"], area), *bar_elements(bars, area)]
    else:
        drawn += _plot(chart, area)
        drawn += _moment_row(moments, area, width)
    below = height - EDGE_MM - len(legend) * LEGEND_ROW_MM
    drawn.append(_x_label(chart["x"]["label"], area, below))
    drawn += legend_elements(legend, EDGE_MM, below)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}" role="img" '
        f'aria-label={attribute(chart["title"])} font-family="sans-serif" '
        f'font-size="{FONT_MM:g}" fill="#111">'
    )
    alternative = raised_powers(chart["alternative"])
    words = f"<title>{escaped(chart['title'])}</title><desc>{escaped(alternative)}</desc>"
    return "\n".join([head, words, *drawn, "</svg>"]) + "\n"


def _plot(chart: Mapping[str, Any], area: PlotArea) -> Iterable[str]:
    """Yield axes and all that is drawn between them, from the back to the front."""
    parts = chart["parts"]
    yield from part_elements(parts, area, BEHIND_GRID)
    yield from _grid(chart, area)
    yield from part_elements(parts, area, BEFORE_GRID)
    yield from beyond_elements(parts, area)
    yield from pause_elements(parts, area)
    yield from _frame(area)
    yield from break_marks(parts, area)
    yield from _y_axis(chart["y"], area)
    yield from _x_axis(chart["x"], area)
    yield from part_elements(parts, area, FOREMOST)


def _plot_area(
    chart: Mapping[str, Any],
    width: float,
    height: float,
    bars: Sequence[Mapping[str, Any]],
    legend: int,
    *,
    strip: bool,
) -> PlotArea:
    """Return where the plot is: as large as labels, figures and legend leave it."""
    rows = chart["shows_title"] + (not bars) + strip
    top = EDGE_MM + rows * ROW_MM + (0.0 if strip else 1.4)
    lines = max((1 + tick["text"].count("\n") for tick in chart["x"]["ticks"]), default=0)
    bottom = height - EDGE_MM - legend * LEGEND_ROW_MM - ROW_MM - lines * ROW_MM - 0.9
    if bars:
        words = max(width_of(bar["label"]) for bar in bars)
        values = max(width_of(bar["text"], FONT_MM * BOLD) for bar in bars)
        left = EDGE_MM + min(words, BAR_LABELS * width) + GAP_MM
        right = width - EDGE_MM - values - GAP_MM
    else:
        words = max((width_of(tick["text"]) for tick in chart["y"]["ticks"]), default=0.0)
        left, right = EDGE_MM + words + 1.8, width - EDGE_MM - 1.5
    return PlotArea(
        left=left, right=max(right, left + 5.0), top=top, bottom=bottom, x=chart["x"], y=chart["y"]
    )


def _title(
    chart: Mapping[str, Any], width: float, bars: Sequence[Mapping[str, Any]]
) -> Iterable[str]:
    """Yield the title where it is shown, and the label of the vertical axis below it."""
    room, y = width - 2 * EDGE_MM, EDGE_MM
    if chart["shows_title"]:
        title = shortened(chart["title"], room, TITLE_MM * BOLD)
        yield text_element(EDGE_MM, y + TITLE_MM - 0.4, title, size_mm=TITLE_MM, bold=True)
        y += ROW_MM
    if not bars:
        label = shortened(chart["y"]["label"], room)
        yield text_element(EDGE_MM, y + ROW_MM - 0.6, label, grey=True)


def _grid(chart: Mapping[str, Any], area: PlotArea) -> Iterable[str]:
    """Yield thin lines at the figures of the vertical axis, and a darker one at zero."""
    for tick in chart["y"]["ticks"]:
        y = area.y_mm(tick["at"])
        zero = tick["at"] == 0 and not chart["y"]["log"]
        colour, width = ("#777", 0.22) if zero else ("#ccc", 0.12)
        yield stroke((area.left, y), (area.right, y), colour, width_mm=width)
    if chart["x"]["log"]:
        for tick in chart["x"]["ticks"]:
            x = area.x_mm(tick["at"])
            yield stroke((x, area.top), (x, area.bottom), "#ccc", width_mm=0.12)


def _frame(area: PlotArea) -> Iterable[str]:
    left, bottom = mm(area.left), mm(area.bottom)
    yield (
        f'<path d="M{left} {mm(area.top)}V{bottom}H{mm(area.right)}" fill="none" '
        'stroke="#111" stroke-width="0.25"/>'
    )


def _y_axis(axis: Mapping[str, Any], area: PlotArea) -> Iterable[str]:
    """Yield figures beside the vertical axis; those too close to the one below are left out."""
    above = area.bottom + ROW_MM
    for value in axis["minor"]:
        y = area.y_mm(value)
        yield stroke((area.left - 0.5, y), (area.left, y), "#111", width_mm=0.15)
    for tick in axis["ticks"]:
        y = area.y_mm(tick["at"])
        yield stroke((area.left - 0.9, y), (area.left, y), "#111", width_mm=0.2)
        if above - y >= FONT_MM:
            yield text_element(area.left - 1.3, y + 0.95, tick["text"], anchor="end")
            above = y


@dataclass(frozen=True, slots=True)
class _Placed:
    """Text of a tick, and the part of the width that it takes."""

    begin: float
    end: float
    lines: Sequence[str]


def _x_axis(axis: Mapping[str, Any], area: PlotArea) -> Iterable[str]:
    """Yield figures below the horizontal axis; of those that would touch, one is left out.

    Figures of two lines, such as those with a date, go before the others.
    """
    placed: list[_Placed] = []
    for value in axis["minor"]:
        x = area.x_mm(value)
        yield stroke((x, area.bottom), (x, area.bottom + 0.5), "#111", width_mm=0.15)
    for tick in sorted(axis["ticks"], key=lambda one: -one["text"].count("\n")):
        x = area.x_mm(tick["at"])
        yield stroke((x, area.bottom), (x, area.bottom + 0.9), "#111", width_mm=0.2)
        lines = tick["text"].split("\n")
        half = max(map(width_of, lines)) / 2.0
        middle = min(max(x, half + EDGE_MM), area.right + 1.5 - half)
        begin, end = middle - half, middle + half
        if all(end + GAP_MM <= one.begin or one.end + GAP_MM <= begin for one in placed):
            placed.append(_Placed(begin, end, lines))
    for one in placed:
        for number, words in enumerate(one.lines):
            y = area.bottom + 3.6 + number * ROW_MM
            yield text_element((one.begin + one.end) / 2.0, y, words, anchor="middle")


def _x_label(label: str, area: PlotArea, below: float) -> str:
    text = shortened(label, area.right + 1.5 - EDGE_MM)
    return text_element(area.right + 1.5, below - 0.9, text, anchor="end", grey=True)


def _moment_words(parts: Sequence[Mapping[str, Any]]) -> list[tuple[float, str]]:
    moments = [part for part in parts if part["kind"] == "moment" and part["text"]]
    return sorted((part["at"], part["text"]) for part in moments)


def _moment_row(
    moments: Sequence[tuple[float, str]], area: PlotArea, width: float
) -> Iterable[str]:
    """Yield the words of moments above the plot; numbers that would touch become a range.

    Numbers go before words: a word that would touch them, or one before it, is left out.
    """
    numbers: list[tuple[float, float, str, str]] = []  # from and to in mm, first and last number
    for at, text in moments:
        if not text.isdecimal():
            continue
        x, half = area.x_mm(at), width_of(text) / 2.0
        if numbers and x - half < numbers[-1][1] + GAP_MM / 2.0:
            begin, _, first, _ = numbers[-1]
            end = max(begin + width_of(f"{first}–{text}"), x + half)
            numbers[-1] = (begin, end, first, text)
        else:
            numbers.append((x - half, x + half, text, text))
    wanted = [
        ((begin + end) / 2.0, first if first == last else f"{first}–{last}")
        for begin, end, first, last in numbers
    ]
    wanted += [(area.x_mm(at), text) for at, text in moments if not text.isdecimal()]
    placed: list[tuple[float, float]] = []
    for middle, text in wanted:
        half = width_of(text) / 2.0
        place = min(max(middle, EDGE_MM + half), width - EDGE_MM - half)
        begin, end = place - half - GAP_MM / 2.0, place + half + GAP_MM / 2.0
        if begin >= 0 and all(end <= a or b <= begin for a, b in placed):
            placed.append((begin, end))
            yield text_element(place, area.top - 0.8, text, anchor="middle")
