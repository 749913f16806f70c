"""Bench: all counters of a watch, a row each, the worst at the top."""

from benchwatch.screen.drawing.styled_text import StyledLine, line
from benchwatch.screen.frame import Frame, Panel, always
from benchwatch.screen.key_binding import KeyBinding
from benchwatch.screen.panels.bench_table import bench_table, counter_at, table_rows
from benchwatch.screen.panels.large_offset import acting_figures
from benchwatch.screen.panels.shared_rows import (
    NAME_CELLS,
    SHORT_HEIGHT,
    TALL_HEIGHT,
    hazard_line,
)
from benchwatch.screen.view import View
from benchwatch.screen.views.trim_view import digit_rows, direction_line

LEAST_ROWS = 4
"""Rows of the table that every screen has."""
OTHER_ROWS = 9
"""Rows of the screen that are not the table's, at most, while the selected counter is small."""


def _room(frame: Frame, width: int, height: int) -> bool:
    """Return whether there is room for the selected counter below all rows of the table."""
    digits = digit_rows(frame, width, height) + 2
    return (
        height >= SHORT_HEIGHT and table_rows(frame, width, height) + digits + OTHER_ROWS <= height
    )


def _least_rows(frame: Frame, width: int, height: int) -> int:
    """Return the rows that the table needs at least; it also takes what is left."""
    return min(table_rows(frame, width, height), LEAST_ROWS)


def _digit_rows(frame: Frame, width: int, height: int) -> int:
    """Return the rows of the large figures of the selected counter; 0 without room for them."""
    return digit_rows(frame, width, height) if _room(frame, width, height) else 0


def _direction_rows(frame: Frame, width: int, height: int) -> int:
    """Return the rows of the direction below the large figures; 0 without room for them."""
    return int(_room(frame, width, height)) * (2 if height >= TALL_HEIGHT else 1)


def _direction(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the name of the selected counter, and the direction in words."""
    name = line(f"  {frame.theme.printable(frame.snapshot.counter, NAME_CELLS)}")
    return [name + row for row in direction_line(frame, width - name.width, rows)]


BENCH_VIEW = View(
    name="bench",
    title="Bench",
    about="all counters, the one that needs somebody at the top",
    key="0",
    also=("escape",),
    footer="bench",
    action="Show all counters",
    action_help="Show all counters of the bench, a row each; Esc does the same.",
    needs="counters",
    whole_bench=True,
    panels=(
        Panel(
            draw=bench_table,
            rows=_least_rows,
            fills=True,
            slow=True,
            counter_at=counter_at,
        ),
        Panel(draw=acting_figures, rows=_digit_rows),
        Panel(draw=_direction, rows=_direction_rows),
        Panel(draw=hazard_line, rows=always(1), drop_order=1),
    ),
    help=(
        (
            "A row a counter, the worst at the top. Lost: the link is broken. Silent: the next "
            "reading is overdue. Not there yet: it was never read. Outside: none of offset ± U "
            "(k = 2) is inside the tolerance. Own time base: it counts by its own oscillator, of "
            "which nothing is known. Moving: the tool is on, a turn creeps or is not judged yet, "
            "or it drifts after it had settled. Warming: it has not settled yet. Unsure: too few "
            "readings, too near the tolerance's edge, or too much noise to tell. Else it is ok. "
            "The first of these that holds is shown. In one state the row that takes most of its "
            "tolerance comes first, in steps of 5 %."
        ),
        (
            "A row rises at once, and falls when its counter has stood better for 10 s. > marks "
            "the selected counter and goes with it; until you select one it stays on the top row. "
            "The rows above the table and the large figures are those of the selected counter, and "
            "so is the sound."
        ),
        (
            "Offset ± u is as on the counter's own views, with the standard uncertainty "
            "(k = 1). On the small scale the heavy stretch is the tolerance, its ends are twice "
            "that; < or > at an end: it lies beyond. Age is that of the newest reading. Dim "
            "figures are not current."
        ),
        (
            "Enter opens the selected counter, a digit the counter with that number; of more than "
            "nine a number is gathered until it can be no other, or until Enter. The command "
            "counter opens one by its name or its unit. 0 or Esc leads back."
        ),
    ),
    keys=(
        KeyBinding(
            id="open_counter",
            keys=("enter",),
            label="Enter",
            footer="open",
            action="Show the selected counter",
            help="Show the views of the selected counter.",
            needs="counters",
        ),
        KeyBinding(
            id="open_number",
            keys=tuple("123456789"),
            label="1-9",
            footer="open by number",
            action="Show the counter with a number",
            help="Show the counter with this number; of more than nine, type all its digits.",
            needs="counters",
        ),
        KeyBinding(
            id="select_above",
            keys=("up",),
            label="Up/Down",
            footer="select",
            action="Select the counter in the row above",
            help="Select the counter in the row above, or below.",
            needs="counters",
        ),
        KeyBinding(
            id="select_below",
            keys=("down",),
            label="Down",
            action="Select the counter in the row below",
            needs="counters",
        ),
        KeyBinding(
            id="select_first",
            keys=("home",),
            label="Home/End",
            action="Select the counter in the top row",
            help="Select the counter in the top row, or in the last.",
            needs="counters",
        ),
        KeyBinding(
            id="select_last",
            keys=("end",),
            label="End",
            action="Select the counter in the last row",
            needs="counters",
        ),
        KeyBinding(
            id="select_far_above",
            keys=("pageup",),
            label="PgUp/PgDn",
            action="Select a counter ten rows above",
            help="Select a counter ten rows above, or below.",
            needs="counters",
        ),
        KeyBinding(
            id="select_far_below",
            keys=("pagedown",),
            label="PgDn",
            action="Select a counter ten rows below",
            needs="counters",
        ),
    ),
)
