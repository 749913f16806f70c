"""Stability: deviations over averaging time on log axes, and the dither of the last minute."""

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from benchwatch.estimate.stability.deviation_kinds import DEVIATIONS
from benchwatch.quantity import how_many, write_fraction
from benchwatch.screen.drawing.plot import FIGURE_CELLS, Axes, Axis, axis_name, tick_row
from benchwatch.screen.drawing.styled_text import Role, StyledLine, beside, faded, fitting, line
from benchwatch.screen.frame import Frame, Panel, always
from benchwatch.screen.key_binding import KeyBinding
from benchwatch.screen.panels.settle_rows import cycle_line, cycle_rows
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.text.amounts import lasted, round_figure
from benchwatch.screen.view import View
from benchwatch.snapshot import Snapshot

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchwatch.estimate.stability.deviation_point import Deviation
    from benchwatch.report.charts.chart import Chart

TABLE_CELLS = 42
"""Width of the table."""
TABLE_FROM_WIDTH = 110
"""Width in cells from which the table is drawn beside the plot."""
SLOPE_DOTS = 30
"""Dots of a line that falls as 1/tau."""
SINCE_WORDS = {"nudge": "since the last nudge", "settled": "since it settled"}
VALUE_SIGN = "o"
"""Sign for a deviation, which differs from the dotted lines even without colours."""


def shown(frame: Frame) -> "list[Deviation]":
    """Return the deviations of the chosen kind, in order of averaging time."""
    now = frame.snapshot.stability
    if now is None:
        return []
    wanted = now.without_drift if frame.preferences.without_drift else now.deviations
    if _of_part(frame):
        part = now.since_without_drift, now.since_deviations
        wanted = part[0] if frame.preferences.without_drift else part[1]
    names = kinds(wanted)
    kind = (
        frame.preferences.deviation if frame.preferences.deviation in names else "".join(names[:1])
    )
    usable = [one for one in wanted if one.deviation == kind and one.value > 0 and one.tau_s > 0]
    return sorted(usable, key=lambda one: one.tau_s)


def _of_part(frame: Frame) -> bool:
    """Return whether only the last part of the run is shown."""
    now = frame.snapshot.stability
    return now is not None and now.since is not None and not frame.preferences.whole_run


def kinds(deviations: "Sequence[Deviation]") -> list[str]:
    """List the kinds of the deviations, but not those in seconds, which this axis can't show."""
    names = {one.deviation for one in deviations}
    return sorted(name for name in names if not DEVIATIONS[name].time)


def title_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the name of the deviation, whether drift is taken out, and the span of readings."""
    now, points = frame.snapshot.stability, shown(frame)
    if now is None or not points:
        why = "nothing is worked out yet" if now is None else "a few more readings are needed"
        if _of_part(frame):
            why += f" {SINCE_WORDS[now.since]}" if now is not None and now.since else ""
        return [line((f"  no deviation: {why}", Role.DIM))]
    drift = "drift removed" if frame.preferences.without_drift else "drift included"
    span = f"{how_many(now.readings, 'reading')} over {lasted(now.span_s)}"
    if _of_part(frame) and now.since is not None:
        span = f"{how_many(now.since_readings, 'reading')} over {lasted(now.since_span_s)}"
        span += f" {SINCE_WORDS[now.since]}"
    elif now.since is not None:
        span += ", the whole run"
    text = line("  ", (points[0].deviation, Role.STRONG), f", {drift}; {span}")
    return [
        fitting(
            width,
            text + line((f"   {VALUE_SIGN} value, upright 68 %, dots fall as 1/tau", Role.DIM)),
            text + line((f"   {VALUE_SIGN} value, dots: 1/tau", Role.DIM)),
            text,
        )
    ]


def deviations_print_chart(frame: Frame) -> "Chart | None":
    """Return the chart of the deviations on the screen; None where there are none."""
    from benchwatch.report.charts.stability_chart import deviations_chart  # noqa: PLC0415 - only to save

    now = frame.snapshot.stability
    if now is None:
        return None
    readings, span_s, since = now.readings, now.span_s, ""
    if _of_part(frame) and now.since is not None:
        readings, span_s, since = now.since_readings, now.since_span_s, SINCE_WORDS[now.since]
    words = [how_many(readings, "reading"), f"over {lasted(span_s)}", since]
    words += ["drift removed"] if frame.preferences.without_drift else []
    return deviations_chart(shown(frame), " ".join(filter(None, words)))


def dither_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the dither: the spread of single readings."""
    now = frame.snapshot.stability
    if now is None or now.dither is None:
        return [line(("  dither unknown", Role.DIM))]
    dither = now.dither
    swing, sd, rest = (
        _digits(frame, value) for value in (dither.peak_to_peak, dither.sd, dither.sd_without_drift)
    )
    short_form = f"  dither {swing} peak to peak, sd {sd}"
    long_form = f"{short_form}, without drift {rest} {frame.unit.name}"
    count = f"{how_many(dither.readings, 'reading')}, {lasted(dither.span_s)}"
    drawn = fitting(
        width,
        line(f"{long_form}; {count}"),
        line(long_form),
        line(f"{short_form} {frame.unit.name}"),
    )
    return faded([drawn]) if frame.stale else [drawn]


def plot_and_table(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the plot, and the table beside it on a wide screen."""
    if not shown(frame):
        return []
    if width < TABLE_FROM_WIDTH:
        return plot(frame, width, rows)
    room = width - TABLE_CELLS
    return beside([plot(frame, room, rows), table(frame, rows)], [room, TABLE_CELLS])


def plot(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the deviations with error bars, and lines that fall as 1/tau through the first."""
    points = shown(frame)
    taus = [one.tau_s for one in points]
    ends = [end for one in points for end in (one.value, one.low, one.high) if end]
    times, sizes = _decades(min(taus), max(taus)), _decades(min(ends), max(ends))
    axes = Axes(width, rows - 1, frame.theme, Axis(*times, log=True), Axis(*sizes, log=True))
    first = taus[0] * points[0].value
    lowest, highest = (math.log10(t * s / first) for t, s in zip(times, sizes, strict=True))
    for power in range(math.ceil(lowest), math.floor(highest) + 1):
        _slope(axes, first * 10.0**power, times)
    for one in points:
        if one.low and one.high:
            axes.range_at(one.tau_s, one.low, one.high, Role.AXIS)
    for one in points:
        axes.put(one.tau_s, one.value, VALUE_SIGN, Role.ESTIMATE)
    drawing = axes.with_figures(_size_figures(frame, axes, sizes))
    drawing.append(_tau_figures(axes, width, times))
    return faded(drawing) if frame.stale else drawing


def table(frame: Frame, rows: int) -> list[StyledLine]:
    """Draw a row for each deviation: averaging time, value, interval; and the type of noise."""
    points = shown(frame)
    drawn = [line((f"  tau        {axis_name(frame.unit):<10} low        high", Role.DIM))]
    for one in points[: max(rows - 2, 0)]:
        low, high = (_digits(frame, end) for end in (one.low, one.high))
        cells = f"  {f'{one.tau_s:g} s':<10} {_digits(frame, one.value):<10} {low:<10} {high}"
        drawn.append(line(cells))
    if points[-1].noise:
        drawn.append(line((f"  looks like {points[-1].noise}", Role.DIM)))
    return faded(drawn) if frame.stale else drawn


def _digits(frame: Frame, size: float | None) -> str:
    """Write a spread with three digits and no sign."""
    return "?" if size is None else write_fraction(size, size, frame.unit, digits=3).u


def _slope(axes: Axes, product: float, times: tuple[float, float]) -> None:
    """Draw the dotted line value = product / tau."""
    low, high = (math.log10(end) for end in times)
    taus = [10 ** (low + (high - low) * i / SLOPE_DOTS) for i in range(SLOPE_DOTS + 1)]
    axes.curve(taus, [product / tau for tau in taus], Role.DIM, dotted=True)


def _decades(low: float, high: float) -> tuple[float, float]:
    """Return the ends of the whole decades that hold `low` and `high`, at least one decade."""
    first, last = math.floor(math.log10(low) + 1e-9), math.ceil(math.log10(high) - 1e-9)
    return 10.0**first, 10.0 ** max(last, first + 1)


def _size_figures(frame: Frame, axes: Axes, sizes: tuple[float, float]) -> list[tuple[int, str]]:
    """Return the figures (row, text) of the decades between `sizes`, and the unit."""
    low, high = (round(math.log10(end)) for end in sizes)
    figures = []
    for power in range(low, high + 1):
        place = axes.point(axes.x.low, 10.0**power)
        if place is not None:
            row = place[1] // axes.canvas.dots_down
            figures.append((row, round_figure(10.0**power, frame.unit).lstrip("+")))
    if all(row != 1 for row, _ in figures):
        figures.append((1, axis_name(frame.unit)))
    return figures


def _tau_figures(axes: Axes, width: int, times: tuple[float, float]) -> StyledLine:
    room = max(width - FIGURE_CELLS - 1, 1)
    low, high = (round(math.log10(end)) for end in times)
    decades = [10.0**power for power in range(low, high + 1)]
    return tick_row(width, [(axes.column(tau, room), f"{tau:g} s") for tau in decades])


def _next_kind(now: Preferences, snapshot: Snapshot) -> Preferences:
    """Choose the next kind of deviation that has been computed."""
    stability = snapshot.stability
    names = kinds(stability.deviations) if stability is not None else []
    if not names:
        return now
    here = names.index(now.deviation) if now.deviation in names else -1
    return replace(now, deviation=names[(here + 1) % len(names)])


STABILITY_VIEW = View(
    name="stability",
    title="Stability",
    about="deviations and dither",
    key="3",
    action="Show the stability",
    panels=(
        Panel(draw=title_line, rows=always(1)),
        Panel(draw=dither_line, rows=always(1)),
        Panel(draw=cycle_line, rows=cycle_rows, drop_order=1),
        Panel(draw=plot_and_table, rows=always(6), fills=True, slow=True),
    ),
    help=(
        (
            "The plot shows the deviation named above it over averaging time tau, both on "
            "logarithmic axes: o is the value, the upright stroke through it the interval that "
            "holds the true one with 68 % probability. The dotted lines fall as 1/tau: white and "
            "flicker phase noise lie along them, white frequency noise is half as steep, flicker "
            "of frequency is level."
        ),
        (
            "The axis at the left is in the unit named beside it, the unit of the large figures "
            "of the trim."
        ),
        (
            "{drift_out} removes a linear drift before the deviations are worked out; {kind} shows "
            "the next kind of deviation. Names are those of the usual handbooks: oadev is the "
            "overlapping Allan deviation."
        ),
        (
            "The readings are those since the last nudge or since it settled, whichever is later; "
            "{whole_run} shows the whole run, in which a turn or a warm-up drowns everything else. "
            "A lone wild reading is left out."
        ),
        (
            "Dither is the spread of single readings in the last minute: peak to peak, and the "
            "standard deviation with the drift in and out."
        ),
        (
            "Cycles by: a regular swing, from peak to peak, that stands out of the noise; it is "
            "looked for where a settle limit was asked for. In the plot it is a hump at about "
            "half its period."
        ),
    ),
    keys=(
        KeyBinding(
            id="drift_out",
            keys=("d",),
            label="d",
            footer="drift in/out",
            action="Remove a linear drift, or not",
            help="Remove a linear drift from the deviations, or not.",
            changes=lambda now, _: replace(now, without_drift=not now.without_drift),
        ),
        KeyBinding(
            id="whole_run",
            keys=("w",),
            label="w",
            footer="whole run",
            action="Show the whole run, or its last part",
            help="Show the whole run, or what came since the last nudge or settling.",
            changes=lambda now, _: replace(now, whole_run=not now.whole_run),
        ),
        KeyBinding(
            id="kind",
            keys=("k",),
            label="k",
            footer="kind",
            action="Show the next kind of deviation",
            help="Show the next kind of deviation.",
            changes=_next_kind,
        ),
    ),
    print_chart=deviations_print_chart,
)
