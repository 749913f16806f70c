"""Trim: everything for the moment when the trimmer is turned."""

from dataclasses import replace

from benchwatch.quantity import how_many
from benchwatch.screen.drawing.styled_text import Role, StyledLine, faded, fitting, line
from benchwatch.screen.frame import Frame, Panel, always
from benchwatch.screen.key_binding import KeyBinding
from benchwatch.screen.panels import status_text
from benchwatch.screen.panels.headline import headline, headline_rows
from benchwatch.screen.panels.large_offset import acting_figures
from benchwatch.screen.panels.progress_rows import (
    judge_line,
    nudge_line,
    standing_lines,
    standing_rows,
)
from benchwatch.screen.panels.scale import scale
from benchwatch.screen.panels.shared_rows import SHORT_HEIGHT, TALL_HEIGHT, hazard_line
from benchwatch.screen.panels.strip_chart import strip_chart
from benchwatch.screen.preferences import SPANS_S, Preferences
from benchwatch.screen.print_charts import offsets_print_chart
from benchwatch.screen.shared_keys import AS_FOUND_KEY, AS_LEFT_KEY, TOOL_KEY, TURNING_KEYS
from benchwatch.screen.text.amounts import lasted
from benchwatch.screen.view import View


def digit_rows(frame: Frame, _width: int, height: int) -> int:
    """Return the rows of the large digits with their uncertainty."""
    if frame.theme.ascii and SHORT_HEIGHT <= height < TALL_HEIGHT:
        return 6
    return 4 if height < TALL_HEIGHT else 8 if height < TALL_HEIGHT + 8 else 11


def direction_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the direction in words, and the readings and span of the estimate."""
    estimate = frame.snapshot.numbers.estimate
    direction = line("  ") + status_text.direction_words(frame)
    rests = [status_text.rest_words(frame, short=short) for short in (False, True)]
    if rests[0]:
        return [fitting(width, *(direction + line((f"   {rest}", Role.STRONG)) for rest in rests))]
    if status_text.shows_way_left(frame):
        return [fitting(width, direction + status_text.offset_words(frame), direction)]
    if estimate is not None and not frame.stale:
        count = how_many(estimate.readings, "reading")
        over = f" over {lasted(estimate.span_s)}" if estimate.readings > 1 else ""
        full, part = (line((f"   from {text}", Role.DIM)) for text in (count + over, count))
        direction = fitting(width, direction + full, direction + part, direction)
    return [direction]


def scale_rows(_frame: Frame, _width: int, height: int) -> int:
    """Return the rows of the scale, whose marker is larger on a tall screen."""
    return 4 if height < TALL_HEIGHT else 5


def judge_rows(frame: Frame, _width: int, _height: int) -> int:
    """Return 1 row when the snapshot holds the progress of the estimate, else 0."""
    return int(frame.snapshot.trim is not None and frame.snapshot.trim.judgement is not None)


def settle_line(frame: Frame, width: int, _rows: int) -> list[StyledLine]:
    """Draw the settle verdict, the drift and the time to go."""
    lamp = line("  ") + status_text.settle_lamp(frame) + line(" ")
    drawn = [lamp + status_text.settle_words(frame, width - lamp.width)]
    return faded(drawn) if frame.stale else drawn


def reason_line(frame: Frame, _width: int, _rows: int) -> list[StyledLine]:
    """Draw the reason of the settle verdict."""
    settle = frame.snapshot.numbers.settle
    return [
        line(("  " + frame.theme.printable(settle.reason if settle is not None else ""), Role.DIM))
    ]


def reason_rows(frame: Frame, _width: int, height: int) -> int:
    """Return 1 row for the reason on a tall screen, on a lower one only if unsure; else 0."""
    settle = frame.snapshot.numbers.settle
    if settle is None or not settle.reason or height < SHORT_HEIGHT:
        return 0
    return int(height >= TALL_HEIGHT or settle.state == "unsure")


def chart_rows(_frame: Frame, _width: int, height: int) -> int:
    """Return the least rows of the strip chart."""
    return 1 if height < SHORT_HEIGHT else 2


def _zoomed(now: Preferences, steps: int) -> Preferences:
    """Choose a longer span of the strip chart, or with negative `steps` a shorter one."""
    place = SPANS_S.index(now.span_s) + steps
    return replace(now, span_s=SPANS_S[min(max(place, 0), len(SPANS_S) - 1)])


TRIM_VIEW = View(
    name="trim",
    title="Trim",
    about="the moment when the trimmer is turned",
    key="1",
    action="Show the trim",
    panels=(
        Panel(draw=headline, rows=headline_rows, drop_order=4),
        Panel(draw=acting_figures, rows=digit_rows),
        Panel(draw=direction_line, rows=always(1)),
        Panel(draw=scale, rows=scale_rows),
        Panel(draw=judge_line, rows=judge_rows),
        Panel(draw=nudge_line, rows=always(1)),
        Panel(draw=standing_lines, rows=standing_rows, drop_order=1),
        Panel(draw=settle_line, rows=always(1)),
        Panel(draw=reason_line, rows=reason_rows, drop_order=3),
        Panel(draw=strip_chart, rows=chart_rows, fills=True, slow=True, drop_order=2),
        Panel(draw=hazard_line, rows=always(1)),
    ),
    help=(
        (
            "The large figures are the offset from nominal, in hertz and as a fraction, with the "
            "standard uncertainty (k = 1) below. They come from the readings since the last nudge "
            "or gap; how many, and over which span, is said in the line below them. With the tool "
            "on they are the way left to the aim instead: + means that the frequency must go up, "
            "- down; while that is not known, words say why. Before the first lift the pull of the "
            "tool is not known, and they show the offset."
        ),
        (
            "On the scale o is the newest reading by itself and the block is the estimate, its "
            "wings one standard uncertainty long. The heavy stretch is the tolerance. < or > at an "
            "end: it lies beyond."
        ),
        (
            "Averaging fills while you wait, hands off: when the estimate is good to the figure "
            "beside it, it is time to turn again. That figure is the larger of a fifth of the "
            "tolerance and a tenth of the way left. While it is WARMING nothing asks you to turn: "
            "the offset still moves by itself, from the oven or from a turn that creeps."
        ),
        (
            "A nudge is a step of the offset that the readings confirm: one turn of the trimmer. "
            "What creeps after it is part of it, and while it creeps the screen says where it will "
            "rest: all advice goes by that. How far to go on the same way, or back, is said in the "
            "unit on the screen: too far is a nudge past the aim, wrong way one that led away. "
            "Once turns have a size in common it is given as a part of a usual nudge too, and "
            "before a turn back what backlash takes of it, once that is known."
        ),
        (
            "A tool on the trimmer pulls the frequency. Say with {tool} when it goes on and comes "
            "off, and its pull is learned; while it is on, V is where to aim so that it lands on "
            "nominal when lifted, and the heavy stretch lies there. The first time V is what the "
            "offset moved by as the tool went on: right, unless it was turned already. Several "
            "turns fit into one touch; lift the tool when the screen says so."
        ),
        (
            "Landed: inside the tolerance with its uncertainty, hands off, for the time said, and "
            "with a drift that will keep it there; from 10 s on where the readings leave no room "
            "for a creep to take it out."
        ),
        (
            "The word in brackets says whether the offset will move by less than the limit asked "
            "for: WARMING, SETTLED, or UNSURE when the noise is too large to tell."
        ),
        (
            "The chart reaches as far as its newer part needs, so that what moves now is seen; ^ "
            "or v at an edge: there it lies beyond."
        ),
        "Everything goes dim when no readings come: what is dim is not current.",
    ),
    keys=(
        TOOL_KEY,
        AS_FOUND_KEY,
        AS_LEFT_KEY,
        KeyBinding(
            id="shorter",
            keys=("z",),
            label="z/x",
            footer="zoom",
            action="Show a shorter time on the chart",
            help="Show a shorter time on the strip chart, or a longer.",
            changes=lambda now, _: _zoomed(now, -1),
        ),
        KeyBinding(
            id="longer",
            keys=("x",),
            label="x",
            action="Show a longer time on the chart",
            changes=lambda now, _: _zoomed(now, 1),
        ),
        *TURNING_KEYS,
    ),
    print_chart=offsets_print_chart,
)
