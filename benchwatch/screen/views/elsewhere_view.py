"""Elsewhere: the offset at frequencies derived from the oscillator's, and on a clock."""

from typing import TYPE_CHECKING

from benchwatch.quantity import (
    format_duration,
    format_frequency,
    write_clock_gain,
    write_derived_hz,
    write_fraction,
)
from benchwatch.screen.drawing.styled_text import Role, StyledLine, faded, line
from benchwatch.screen.frame import Frame, Panel, always
from benchwatch.screen.key_binding import KeyBinding
from benchwatch.screen.panels.check_rows import check_rows, draw_checks
from benchwatch.screen.panels.large_offset import both_figures
from benchwatch.screen.text.amounts import with_u
from benchwatch.screen.view import View
from benchwatch.screen.views.trim_view import digit_rows

if TYPE_CHECKING:
    from benchwatch.estimate.derived_frequencies import Elsewhere

_COLUMNS = (14, 28, 14, 13, 9)
_HEADINGS = ("at", "offset", "one beat in", "phase noise", "times")
ALL_COLUMNS_WIDTH = 72
"""Width in cells from which all columns are drawn."""


def table(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw one row for each frequency."""
    now = frame.snapshot.elsewhere
    if now is None or not now.rows:
        return [line(("  no offset to carry anywhere yet", Role.DIM))]
    columns = len(_COLUMNS) if width >= ALL_COLUMNS_WIDTH else 3
    drawn = [_row([(text, Role.DIM) for text in _HEADINGS[:columns]])]
    drawn += [_row(_cells(frame, one)[:columns]) for one in now.rows]
    return faded(drawn) if frame.stale else drawn


def fraction_line(frame: Frame, _width: int, _rows: int) -> list[StyledLine]:
    """Draw the fraction, which is the same at every frequency."""
    now = frame.snapshot.elsewhere
    if now is None or not now.rows:
        return []
    text = write_fraction(now.rows[0].offset, now.rows[0].u, frame.unit)
    fraction = with_u(text, frame.theme.glyphs.plus_minus)
    return [line(f"  the fraction is the same at every frequency: {fraction}")]


def clock_line(frame: Frame, _width: int, _rows: int) -> list[StyledLine]:
    """Draw the time that a clock driven by the oscillator gains or loses a day."""
    now = frame.snapshot.elsewhere
    if now is None or now.gain_s_per_day is None:
        return []
    text = write_clock_gain(now.gain_s_per_day, now.gain_u_s_per_day)
    verb = "gains" if now.gain_s_per_day > 0 else "loses"
    sentence = f"  a clock on it {verb} {with_u(text, frame.theme.glyphs.plus_minus)} a day"
    return faded([line(sentence)]) if frame.stale else [line(sentence)]


def _cells(frame: Frame, one: "Elsewhere") -> list[tuple[str, Role]]:
    """Return the cells (text, role) of one frequency, in the order of `_HEADINGS`."""
    offset = write_derived_hz(one.offset_hz, one.u_hz)
    beat = "never" if one.beat_period_s is None else format_duration(one.beat_period_s)
    return [
        (format_frequency(one.frequency_hz), Role.STRONG),
        (with_u(offset, frame.theme.glyphs.plus_minus), Role.TEXT),
        (beat, Role.TEXT),
        (f"{one.phase_noise_db:+.1f} dB", Role.TEXT),
        (f"{one.factor:.6g}", Role.DIM),
    ]


def _row(cells: list[tuple[str, Role]]) -> StyledLine:
    row = line("  ")
    for (text, role), width in zip(cells, _COLUMNS, strict=False):
        row += line((text, role)).fit(width - 1) + line(" ")
    return row


CHECK_KEY = KeyBinding(
    id="go_on_checking",
    keys=("enter",),
    label="Enter",
    footer="check",
    action="Unit is dialled; or check the next one",
    help=(
        "Begin the checks of the list, say that the unit is dialled as the row on top asks, or go "
        "on to the next setting; on a simulated bench this also dials."
    ),
    needs="operator",
)
STOP_CHECK_KEY = KeyBinding(
    id="stop_checking",
    keys=("escape",),
    label="Esc",
    footer="stop",
    action="End the checks at other dial settings",
    help="End the checks at other dial settings; what was found stays on record.",
    needs="operator",
)
ELSEWHERE_VIEW = View(
    name="elsewhere",
    title="Elsewhere",
    about="the offset at other frequencies, and on a clock",
    key="4",
    action="Show the offset elsewhere",
    action_help="Show the offset elsewhere: other frequencies, clocks.",
    panels=(
        Panel(draw=draw_checks, rows=check_rows),
        Panel(draw=both_figures, rows=digit_rows, drop_order=3),
        Panel(draw=fraction_line, rows=always(1), drop_order=2),
        Panel(draw=clock_line, rows=always(1), drop_order=1),
        Panel(draw=table, rows=always(3), fills=True),
    ),
    keys=(CHECK_KEY, STOP_CHECK_KEY),
    help=(
        (
            "Multiplied or divided by N, an offset in hertz is multiplied by N and the fraction "
            "stays what it is. One beat is the time in which a comparison with an exact frequency "
            "goes through zero once. Phase noise grows by 20 log N decibels. The frequencies are "
            "those at which the unit is used, as the unit or the bench file states them, and 1 Hz."
        ),
        (
            "A check compares the offset that is read at another dial setting with the one that "
            "the main frequency foretells. U is the expanded uncertainty of the difference (95 %). "
            "With a tolerance the output follows where all of the difference ± U lies within a "
            "quarter of it (common practice, 4 to 1), and does not where none of it does; without "
            "one it follows where the difference is within U. Behind the key {command} type check "
            "100MHz, check (the next of the list), check all or check stop; Enter says that the "
            "unit is dialled."
        ),
        "A clock that runs on the oscillator gains or loses the time said a day.",
    ),
)
