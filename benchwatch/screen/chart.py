"""The strip chart: the recent past, now at the right edge, a gap left open."""

import math
from collections.abc import Iterator

from benchwatch.quantity import format_duration
from benchwatch.screen.amounts import short
from benchwatch.screen.canvas import Canvas
from benchwatch.screen.frame import Frame
from benchwatch.screen.ink import Ink, Line, beside, faded, line

ZERO_DASH, LIMIT_DASH, NUDGE_DASH = 4, 8, 2
"""Dots from one dash to the next of the lines across the chart."""


def strip_chart(frame: Frame, width: int, rows: int) -> list[Line]:
    """Draw offset over time; figures at the left, time along the bottom when there is room."""
    window = frame.window
    if window is None:
        return [line(("nothing to draw yet", Ink.DIM))]
    footed = rows >= 4
    top, bottom = (f"{short(end, frame.unit)} " for end in reversed(window))
    margin = max(len(top), len(bottom), 7)
    canvas = Canvas(width - margin - 1, rows - footed, frame.look)
    _Plot(frame, window, canvas).draw()
    scale = [Line()] * canvas.rows
    scale[0] = line((top.rjust(margin), Ink.AXIS))
    if canvas.rows > 2:
        scale[1] = line((f"{frame.unit.name} ".rjust(margin)[-margin:], Ink.AXIS))
    if canvas.rows > 1:
        scale[-1] = line((bottom.rjust(margin), Ink.AXIS))
    rail = [line((frame.look.glyphs.rail, Ink.AXIS))] * canvas.rows
    drawing = beside([scale, rail, canvas.lines()], [margin, 1, canvas.columns])
    if footed:
        drawing.append(_time_axis(frame, width, margin))
    return faded(drawing) if frame.stale else drawing


def _time_axis(frame: Frame, width: int, margin: int) -> Line:
    room = max(width - margin - 1, 1)
    text = f"{format_duration(frame.span_s)} ago".ljust(room - 3) + "now"
    row = [(char, Ink.AXIS) for char in text[:room].ljust(room)]
    for mark in frame.snapshot.marks:
        place = (mark.elapsed_s - frame.now_s) / frame.span_s + 1
        if 0 <= place <= 1:
            row[round(place * (room - 1))] = ("^", Ink.STRONG)
    return line(" " * (margin + 1), *row)


class _Plot:
    def __init__(self, frame: Frame, window: tuple[float, float], canvas: Canvas) -> None:
        self._frame, self._canvas = frame, canvas
        self._low, self._high = window

    def draw(self) -> None:
        numbers = self._frame.snapshot.numbers
        self._level(0.0, ZERO_DASH, Ink.DIM)
        if numbers.tolerance is not None:
            for edge in (-numbers.tolerance.limit, numbers.tolerance.limit):
                self._level(edge, LIMIT_DASH, Ink.BAND)
        if numbers.last_nudge is not None:
            self._moment(numbers.last_nudge.at_s)
        before: tuple[int, int] | None = None
        for point in self._points():
            if point is not None:
                self._canvas.stroke(before or point, point, Ink.TEXT)
            before = point

    def _points(self) -> Iterator[tuple[int, int] | None]:
        trace = self._frame.trace
        for elapsed_s, offset in zip(trace.elapsed_s, trace.offset, strict=True):
            if not (math.isfinite(offset) and math.isfinite(elapsed_s)):
                yield None
            else:
                yield self._x(elapsed_s), self._y(offset)

    def _x(self, elapsed_s: float) -> int:
        place = (elapsed_s - self._frame.now_s) / self._frame.span_s + 1
        return round(place * (self._canvas.width - 1))

    def _y(self, offset: float) -> int:
        place = (self._high - offset) / (self._high - self._low)
        return round(min(max(place, -1.0), 2.0) * (self._canvas.height - 1))

    def _level(self, offset: float, dash: int, ink: Ink) -> None:
        if self._low <= offset <= self._high:
            for x in range(0, self._canvas.width, dash):
                self._canvas.dot(x, self._y(offset), ink)

    def _moment(self, elapsed_s: float) -> None:
        for y in range(0, self._canvas.height, NUDGE_DASH):
            self._canvas.dot(self._x(elapsed_s), y, Ink.DIM)
