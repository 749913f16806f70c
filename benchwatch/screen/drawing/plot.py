"""Axes on a canvas: positions of values, curves and lines, figures along the edges."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchwatch.quantity import OffsetUnit
from benchwatch.screen.drawing.canvas import Canvas
from benchwatch.screen.drawing.styled_text import Role, StyledLine, beside, line
from benchwatch.screen.drawing.theme import Theme

FIGURE_CELLS = 8
"""Cells for the figures left of a chart."""

SIGN_EVERY = 2
"""Cells from one sign of a curve to the next; what lies under the curve shows between them."""
BEYOND_SIGNS = ("v", "^")
"""Signs at the lower and the upper edge, where a curve lies beyond it."""


@dataclass(frozen=True, slots=True)
class Axis:
    """An axis from `low` to `high`, linear or logarithmic."""

    low: float
    high: float
    log: bool = False

    def place(self, value: float) -> float:
        """Return the position of `value`: 0 at `low`, 1 at `high`; nan where it has none."""
        low, high = self.low, self.high
        if self.log:
            if not (value > 0 and low > 0):
                return math.nan
            value, low, high = math.log10(value), math.log10(low), math.log10(high)
        return (value - low) / (high - low) if high > low else math.nan


class Axes:
    """A canvas with an x and a y axis."""

    def __init__(self, width: int, rows: int, theme: Theme, x: Axis, y: Axis) -> None:
        self.canvas = Canvas(width - FIGURE_CELLS - 1, rows, theme)
        self.x, self.y = x, y
        self._theme = theme

    def point(self, x: float, y: float) -> tuple[int, int] | None:
        """Return the dot (column, row) of (x, y), which may lie outside the chart.

        None if a value has no position, or `x` is off by more than the width of the chart; a `y`
        that is off by more than the height is moved to that distance.
        """
        across, up = self.x.place(x), self.y.place(y)
        if not (math.isfinite(across) and math.isfinite(up)) or not -1 <= across <= 2:
            return None
        up = min(max(up, -1.0), 2.0)
        return (
            round(across * (self.canvas.width - 1)),
            round((1 - up) * (self.canvas.height - 1)),
        )

    def curve(
        self,
        xs: Sequence[float],
        ys: Sequence[float],
        role: Role = Role.TEXT,
        *,
        dotted: bool = False,
        ascii_sign: str = "",
    ) -> None:
        """Draw a curve, joined or as single dots, with a gap where a value is not finite.

        On an ASCII terminal, whose dots are all alike, `ascii_sign` is drawn in their place.
        """
        before: tuple[int, int] | None = None
        for x, y in zip(xs, ys, strict=True):
            here = self.point(x, y)
            if here is not None and ascii_sign and self._theme.ascii:
                if here[0] % SIGN_EVERY == 0:
                    self.put(x, y, ascii_sign, role)
            elif here is not None:
                self.canvas.stroke(here if dotted or before is None else before, here, role)
            before = here

    def beyond(self, xs: Sequence[float], ys: Sequence[float], role: Role) -> None:
        """Put an arrow head at the upper or lower edge wherever a curve lies beyond it."""
        for x, y in zip(xs, ys, strict=True):
            column, up = self.column(x, self.canvas.columns), self.y.place(y)
            if column is not None and not 0 <= up <= 1 and math.isfinite(up):
                self.canvas.write(
                    column, 0 if up > 1 else self.canvas.rows - 1, BEYOND_SIGNS[up > 1], role
                )

    def level(self, y: float, dash: int, role: Role) -> None:
        """Draw a horizontal line at `y`, one dot in every `dash`, if `y` is on the chart."""
        place = self.y.place(y)
        if 0 <= place <= 1:
            for x in range(0, self.canvas.width, dash):
                self.canvas.dot(x, round((1 - place) * (self.canvas.height - 1)), role)

    def moment(self, x: float, dash: int, role: Role) -> None:
        """Draw a vertical line at `x`, one dot in every `dash`, if `x` is on the chart."""
        place = self.x.place(x)
        if 0 <= place <= 1:
            for y in range(0, self.canvas.height, dash):
                self.canvas.dot(round(place * (self.canvas.width - 1)), y, role)

    def range_at(self, x: float, low: float, high: float, role: Role) -> None:
        """Draw a vertical stroke from `low` to `high`: solid, to differ from dotted lines."""
        foot, head = self.point(x, low), self.point(x, high)
        if foot is None or head is None:
            return
        if not self._theme.ascii:
            self.canvas.stroke(foot, head, role)
            return
        across, down = self.canvas.dots_across, self.canvas.dots_down
        for row in range(head[1] // down, foot[1] // down + 1):
            self.canvas.write(foot[0] // across, row, self._theme.glyphs.rail, role)

    def put(self, x: float, y: float, char: str, role: Role) -> None:
        """Write a character at (x, y), if that is on the chart."""
        here = self.point(x, y)
        if here is not None:
            column, row = here[0] // self.canvas.dots_across, here[1] // self.canvas.dots_down
            self.canvas.write(column, row, char, role)

    def column(self, x: float, width: int) -> int | None:
        """Return the cell under `x` in a row of `width` cells; None when it is off the chart."""
        place = self.x.place(x)
        return round(place * (width - 1)) if 0 <= place <= 1 else None

    def with_figures(self, figures: Sequence[tuple[int, str]]) -> list[StyledLine]:
        """Return the rows of the chart, with `figures` (row, text) at their left."""
        left = [StyledLine()] * self.canvas.rows
        for row, text in figures:
            if 0 <= row < len(left):
                left[row] = line((f"{text} "[-FIGURE_CELLS:].rjust(FIGURE_CELLS), Role.AXIS))
        rail = [line((self._theme.glyphs.rail, Role.AXIS))] * self.canvas.rows
        return beside([left, rail, self.canvas.lines()], [FIGURE_CELLS, 1, self.canvas.columns])


def axis_name(unit: OffsetUnit) -> str:
    """Return the unit's name, or its size if the name is too long for the cells at the left."""
    return unit.name if len(unit.name) < FIGURE_CELLS else f"{unit.size:g}"


def edge_figures(rows: int, top: str, bottom: str, unit: OffsetUnit) -> list[tuple[int, str]]:
    """Return the figures (row, text) of a linear y axis: both ends, the unit under the upper."""
    figures = [(0, top)]
    if rows > 2:
        figures.append((1, axis_name(unit)))
    if rows > 1:
        figures.append((rows - 1, bottom))
    return figures


def tick_row(width: int, ticks: Sequence[tuple[int | None, str]]) -> StyledLine:
    """Write `ticks` (cell, text) under a chart, centred; a text without room is left out."""
    room = max(width - FIGURE_CELLS - 1, 1)
    row = [" "] * room
    for cell, text in ticks:
        if cell is None or len(text) > room:
            continue
        start = min(max(cell - len(text) // 2, 0), room - len(text))
        around = row[max(start - 1, 0) : start + len(text) + 1]
        if all(char == " " for char in around):
            row[start : start + len(text)] = text
    return line(" " * (FIGURE_CELLS + 1), ("".join(row), Role.AXIS))
