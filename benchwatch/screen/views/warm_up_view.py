"""Warm-up: the offset since the run began, where it is going, and whether it has settled."""

from dataclasses import replace

from benchwatch.quantity import format_duration, write_fraction
from benchwatch.screen.drawing.plot import FIGURE_CELLS, Axes, Axis, tick_row
from benchwatch.screen.drawing.styled_text import (
    Role,
    StyledLine,
    faded,
    fitting,
    line,
    wrapped_text,
)
from benchwatch.screen.frame import Frame, Panel, always
from benchwatch.screen.key_binding import KeyBinding
from benchwatch.screen.panels.large_offset import both_figures
from benchwatch.screen.panels.settle_rows import cycle_line, cycle_rows, held_lines, held_rows
from benchwatch.screen.panels.strip_chart import draw_levels, offset_figures
from benchwatch.screen.panels.time_axis import clock_figures
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.print_charts import warm_up_print_chart
from benchwatch.screen.shared_keys import AS_FOUND_KEY, TOOL_KEY
from benchwatch.screen.text.amounts import ago, with_u, write_limit
from benchwatch.screen.view import ChartRange, View
from benchwatch.screen.views.trim_view import digit_rows, reason_line, settle_line
from benchwatch.snapshot import Snapshot, WarmUp

EARLIEST_S = 1.0
"""Time at which a logarithmic time axis begins."""
TICKS_S = (1, 10, 60, 600, 3600, 36000, 86400, 864000, 8640000)
CURVE_SIGN = "*"
"""Sign for the fitted curve on an ASCII terminal, whose dots are all alike."""
END_DASH, NOW_DASH = 3, 2
"""Dots from one dash to the next of the lines at the end point and at the present."""


def _warm_up(frame: Frame) -> WarmUp:
    return frame.snapshot.warm_up or WarmUp()


def limit_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the limit of the settle verdict, and for how long the offset has been watched.

    How long the power has been on is not known.
    """
    now = _warm_up(frame)
    on = f"  watched for {ago(now.since_s, frame.now_s)}"
    if now.limit is None:
        return [line(on)]
    span = write_limit(now.limit.limit, frame.unit, "").strip()
    asked = f"less than {span} in {format_duration(now.limit.horizon_s)}"
    return [fitting(width, line(f"{on}; settled means: moves by {asked}"), line(f"{on}; {asked}"))]


def end_rows(frame: Frame, _width: int, _height: int) -> int:
    """Return 1 row; 0 when the oscillator has settled and its end point is unknown."""
    settle = frame.snapshot.numbers.settle
    settled = settle is not None and settle.state == "settled"
    return 0 if settled and _warm_up(frame).end is None else 1


def end_line(frame: Frame, _width: int, _rows: int) -> list[StyledLine]:
    """Draw the end point of the fitted curve."""
    now = _warm_up(frame)
    if now.end is None:
        return [line(("  end point not known yet", Role.DIM))]
    text = with_u(write_fraction(now.end, now.end_u, frame.unit), frame.theme.glyphs.plus_minus)
    drawn = [line(f"  forecast end point {text}")]
    return faded(drawn) if frame.stale else drawn


def curve_chart(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the offset since the run began, and the fitted curve, dotted, beyond the present."""
    if frame.window is None or rows < 2:
        return [line(("  nothing to draw yet", Role.DIM))]
    now, log = _warm_up(frame), frame.preferences.log_time
    last_s = max([frame.now_s, *now.curve.elapsed_s]) - now.since_s
    time = Axis(EARLIEST_S, last_s, log=True) if log else Axis(0.0, last_s)
    axes = Axes(width, rows - 1, frame.theme, time, Axis(*frame.window))
    draw_levels(frame, axes)
    if now.end is not None:
        axes.level(now.end, END_DASH, Role.BAND)
    axes.moment(frame.now_s - now.since_s, NOW_DASH, Role.DIM)
    for trace, dotted in ((frame.trace, False), (now.curve, True)):
        times = [elapsed_s - now.since_s for elapsed_s in trace.elapsed_s]
        role, sign = (Role.GOOD, CURVE_SIGN) if dotted else (Role.TEXT, "")
        axes.curve(times, trace.offset, role, dotted=dotted, ascii_sign=sign)
        if not dotted:
            axes.beyond(times, trace.offset, Role.DIM)
    drawing = axes.with_figures(offset_figures(frame, axes.canvas.rows))
    drawing.append(_time_figures(frame, axes, width, last_s))
    return faded(drawing) if frame.stale else drawing


def _time_figures(frame: Frame, axes: Axes, width: int, last_s: float) -> StyledLine:
    room = max(width - FIGURE_CELLS - 1, 1)
    since_s = _warm_up(frame).since_s
    clock = clock_figures(frame, axes, width, (since_s, since_s + last_s), since_s)
    now: tuple[int | None, str] = (axes.column(frame.now_s - since_s, room), "now")
    ticks = clock[:1] or [now]
    if frame.preferences.log_time:
        ticks += [(axes.column(s, room), format_duration(s)) for s in TICKS_S]
    elif clock:
        ticks = clock
    else:
        ticks += [(0, "start of run"), (axes.column(last_s, room), format_duration(last_s))]
        ticks.append((axes.column(last_s / 2, room), format_duration(last_s / 2)))
    return tick_row(width, ticks)


def verdict_lines(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the reason of the settle verdict over as many rows as it needs."""
    settle = frame.snapshot.numbers.settle
    if settle is None:
        key = frame.label_of(SETTLE_KEY)
        advice = f"press {key} to set one" if frame.operator else "start with --settle"
        return [line((f"  no settle limit: {advice}", Role.DIM))]
    if len(settle.reason) + 2 <= width or rows < 2:
        return reason_line(frame, width, rows)
    return [
        line("  ") + row for row in wrapped_text(frame.theme.printable(settle.reason), width - 4)
    ]


def verdict_rows(frame: Frame, width: int, _height: int) -> int:
    """Return 1 row, 2 for a long reason."""
    settle = frame.snapshot.numbers.settle
    return 2 if settle is not None and len(settle.reason) + 2 > width else 1


def _since_power_on(snapshot: Snapshot, preferences: Preferences, now_s: float) -> ChartRange:
    """Return the range since power-on; its axis also covers the fitted curve."""
    warm_up = snapshot.warm_up or WarmUp()
    return ChartRange(now_s - warm_up.since_s, whole=not preferences.close, curve=warm_up.curve)


SETTLE_KEY = KeyBinding(
    id="set_settle",
    keys=("s",),
    label="s",
    footer="settle limit",
    action="Change what settled means",
    help="Change what settled means: 1ppb/10min.",
    needs="operator",
)
WARM_UP_VIEW = View(
    name="warm_up",
    title="Warm-up",
    about="the offset since power-on, and its forecast end point",
    key="2",
    action="Show the warm-up",
    panels=(
        Panel(draw=both_figures, rows=digit_rows),
        Panel(draw=settle_line, rows=always(1)),
        Panel(draw=verdict_lines, rows=verdict_rows, drop_order=1),
        Panel(draw=end_line, rows=end_rows),
        Panel(draw=cycle_line, rows=cycle_rows, drop_order=2),
        Panel(draw=held_lines, rows=held_rows, drop_order=1),
        Panel(draw=limit_line, rows=always(1)),
        Panel(draw=curve_chart, rows=always(5), fills=True, slow=True),
    ),
    help=(
        (
            "The chart shows the offset since the run began; dots are the curve that was fitted to "
            "it, drawn on past the present, and the level line its end point, once that is known. "
            "{time_axis} changes between time and its logarithm, which shows a whole warm-up at "
            "once; {close} zooms to the late part. ^ or v at an edge: there it lies beyond."
        ),
        (
            "Settled means that the offset is forecast to move by less than the limit within the "
            "horizon, with the forecast's uncertainty counted. WARMING: it moves by more. UNSURE: "
            "the noise is too large to tell; the reason says what would tell."
        ),
        (
            "Time to go is a range: the curve and its uncertainty cross the limit between the two "
            "times."
        ),
        (
            "Cycles by: the offset goes up and down by itself, as with an oven's thermostat; the "
            "swing is from peak to peak. One that swings by more than the limit is not settled."
        ),
        (
            "It can be left alone: readings are journaled, and the bell rings once when it "
            "settles. The line that begins with first settled then says what happened meanwhile: "
            "how long the verdict has held in all, the largest excursion since, nudges apart, and "
            "how long readings were missing."
        ),
    ),
    keys=(
        TOOL_KEY,
        AS_FOUND_KEY,
        KeyBinding(
            id="time_axis",
            keys=("t",),
            label="t",
            footer="time axis",
            action="Draw time evenly, or its logarithm",
            help="Draw time evenly, or its logarithm.",
            changes=lambda now, _: replace(now, log_time=not now.log_time),
        ),
        KeyBinding(
            id="close",
            keys=("c",),
            label="c",
            footer="zoom late part",
            action="Zoom to the late part, or show all",
            help="Zoom to the offsets of the late part, or show all.",
            changes=lambda now, _: replace(now, close=not now.close),
        ),
        SETTLE_KEY,
    ),
    chart=_since_power_on,
    print_chart=warm_up_print_chart,
)
