"""The strip chart: the recent offsets, with the present at the right edge; a gap stays open."""

from benchwatch.screen.drawing.plot import Axes, Axis, edge_figures
from benchwatch.screen.drawing.styled_text import Role, StyledLine, faded, line
from benchwatch.screen.frame import Frame
from benchwatch.screen.panels.time_axis import strip_time_axis
from benchwatch.screen.text.amounts import round_figure

ZERO_DASH, LIMIT_DASH, NUDGE_DASH = 4, 8, 2
"""Dots from one dash to the next of the lines across the chart."""
TIME_AXIS_HEIGHT = 3
"""Height in rows from which the time axis is drawn."""


def strip_chart(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw offset over time; figures at the left, time along the bottom of a high chart."""
    if frame.window is None:
        return [line(("  nothing to draw yet", Role.DIM))]
    low, high = frame.window
    has_time_axis = rows >= TIME_AXIS_HEIGHT
    axes = Axes(
        width,
        rows - has_time_axis,
        frame.theme,
        Axis(frame.now_s - frame.span_s, frame.now_s),
        Axis(low, high),
    )
    draw_levels(frame, axes)
    numbers = frame.snapshot.numbers
    if numbers.last_nudge is not None:
        axes.moment(numbers.last_nudge.at_s, NUDGE_DASH, Role.DIM)
    axes.curve(frame.trace.elapsed_s, frame.trace.offset)
    axes.beyond(frame.trace.elapsed_s, frame.trace.offset, Role.DIM)
    drawing = axes.with_figures(offset_figures(frame, axes.canvas.rows))
    if has_time_axis:
        drawing.append(strip_time_axis(frame, axes, width))
    return faded(drawing) if frame.stale else drawing


def draw_levels(frame: Frame, axes: Axes) -> None:
    """Draw horizontal lines at zero and at the limits of the tolerance."""
    tolerance = frame.snapshot.numbers.tolerance
    axes.level(0.0, ZERO_DASH, Role.DIM)
    if tolerance is not None:
        for edge in (-tolerance.limit, tolerance.limit):
            axes.level(edge, LIMIT_DASH, Role.BAND)


def offset_figures(frame: Frame, rows: int) -> list[tuple[int, str]]:
    """Return the figures (row, text) of the offset axis, in the unit on the screen."""
    low, high = frame.window or (0.0, 0.0)
    return edge_figures(
        rows, round_figure(high, frame.unit), round_figure(low, frame.unit), frame.unit
    )
