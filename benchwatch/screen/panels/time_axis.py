"""The time axes of charts: round local times, and the present with its zone."""

from benchwatch.quantity import format_duration
from benchwatch.screen.drawing.plot import FIGURE_CELLS, Axes, tick_row
from benchwatch.screen.drawing.styled_text import Role, StyledLine, line
from benchwatch.screen.frame import Frame
from benchwatch.screen.text.clock_ticks import clock_label, clock_ticks

TICK_CELLS = 12
"""Cells of the axis for one tick, about."""

Tick = tuple[int | None, str]
"""Cell of the axis, or None off the axis; text."""


def clock_figures(
    frame: Frame, axes: Axes, width: int, ends_s: tuple[float, float], zero_s: float = 0.0
) -> list[Tick]:
    """Return the present and round local times between `ends_s`; empty for undated readings.

    The present comes first, so that no other tick takes its place.

    Args:
        frame: its snapshot dates the readings.
        axes: the chart; its x is in seconds from `zero_s`.
        width: of the whole row, cells.
        ends_s: first and last time of the axis, seconds of the run.
        zero_s: zero of the axis, seconds of the run.
    """
    room = max(width - FIGURE_CELLS - 1, 1)
    present, begin, end = (frame.snapshot.utc_at(at_s) for at_s in (frame.now_s, *ends_s))
    if present is None or begin is None or end is None:
        return []
    most = max(room // TICK_CELLS, 1)
    now = f"now {clock_label(present, end - begin, most)}"
    ticks = [(axes.column(frame.now_s - zero_s, room), now)]
    for utc_s, text in clock_ticks(begin, end, most):
        ticks.append((axes.column(frame.now_s + (utc_s - present) - zero_s, room), text))
    return ticks


def strip_time_axis(frame: Frame, axes: Axes, width: int) -> StyledLine:
    """Draw the axis of the strip chart: its span at the left, a sign at each mark."""
    room = max(width - FIGURE_CELLS - 1, 1)
    span = format_duration(frame.span_s)
    begin_s = frame.now_s - frame.span_s
    ticks = clock_figures(frame, axes, width, (begin_s, frame.now_s))
    left = f"{span} "
    if not ticks:
        left, ticks = "", [(room - 1, "now"), (0, f"{span} ago")]
    row = [(char, Role.AXIS) for char in tick_row(width, ticks).plain[FIGURE_CELLS + 1 :]]
    for mark in frame.snapshot.marks:
        cell = axes.column(mark.elapsed_s, room)
        if cell is not None:
            _put_beside(row, cell)
    start = line((left[-FIGURE_CELLS:].rjust(FIGURE_CELLS), Role.AXIS), " ")
    return start + line(*row)


def _put_beside(row: list[tuple[str, Role]], cell: int) -> None:
    """Write the sign of a mark at `cell`, or at the nearest one that no text takes."""
    text = "".join(char for char, _ in row).replace("^", " ")
    inner = {place for place in range(1, len(text) - 1) if " " not in text[place - 1 :: 2][:2]}
    free = [place for place, char in enumerate(text) if char == " " and place not in inner]
    if free:
        row[min(free, key=lambda place: abs(place - cell))] = ("^", Role.STRONG)
