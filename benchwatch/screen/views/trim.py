"""Trim: everything for the moment when the trimmer is turned."""

from benchwatch.quantity import QuantityText, write_fraction
from benchwatch.screen import words
from benchwatch.screen.amounts import ago, in_hertz, with_u
from benchwatch.screen.chart import strip_chart
from benchwatch.screen.digits import SIZES, DigitSize, large, size_for
from benchwatch.screen.frame import Block, Frame, View, always
from benchwatch.screen.ink import Ink, Line, beside, faded, line, safe
from benchwatch.screen.parts import hazard_line
from benchwatch.screen.scale import scale

MARGIN = 3
"""Blanks left of a large figure and between it and its unit."""
SHORT, TALL = 20, 32
"""Screens below the one and from the other on, in rows."""


def offset_digits(frame: Frame, width: int, rows: int) -> list[Line]:
    """Draw the offset in hertz and as a fraction side by side, uncertainty below each."""
    pair = _offset(frame)
    if pair is None:
        return [line(("  no reading yet", Ink.DIM))]
    widths = _shares(pair, width)
    size = _size(frame, pair, widths, rows - 1)
    columns = []
    for text in pair:
        if size is None:
            column = [line("  ", (text.digits, Ink.STRONG))]
        else:
            column = [line("  ") + row for row in large(text.digits, size, frame.look.glyphs)]
        column[-1] += line(" ", (text.unit, Ink.STRONG))
        columns.append([*column, line(("  " + _spread(frame, text), Ink.TEXT))])
    drawing = beside(columns, widths)
    return faded(drawing) if frame.stale else drawing


def digit_rows(frame: Frame, _width: int, height: int) -> int:
    """Rows of the large digits with their uncertainty."""
    if frame.look.ascii and SHORT <= height < TALL:
        return 6
    return 4 if height < TALL else 6 if height < TALL + 8 else 9


def direction_line(frame: Frame, _width: int, _rows: int) -> list[Line]:
    """Draw the direction in words, and what the estimate rests on."""
    estimate = frame.snapshot.numbers.estimate
    said = line("  ") + words.direction(frame)
    if estimate is not None and not frame.stale:
        count = f"{estimate.readings} reading" + ("s" if estimate.readings != 1 else "")
        said += line((f"   from {count} over {ago(0.0, estimate.span_s)}", Ink.DIM))
    return [said]


def scale_rows(_frame: Frame, _width: int, height: int) -> int:
    """Rows of the scale: the marker grows on a tall screen."""
    return 4 if height < TALL else 6


def nudge_line(frame: Frame, _width: int, _rows: int) -> list[Line]:
    """Draw the last nudge and its size."""
    nudge = frame.snapshot.numbers.last_nudge
    tool = line(("   tool on", Ink.OFF)) if frame.tool_on else Line()
    if nudge is None:
        return [line(("  no nudge seen yet", Ink.DIM)) + tool]
    size = with_u(write_fraction(nudge.size, nudge.u, frame.unit), frame.look.glyphs.plus_minus)
    way = "up" if nudge.size > 0 else "down"
    return [line(f"  last nudge {way} {size}, {ago(nudge.at_s, frame.now_s)} ago") + tool]


def settle_line(frame: Frame, _width: int, _rows: int) -> list[Line]:
    """Draw the settle word, the drift and the time to go."""
    said = words.settle_lamp(frame) + line(" ") + words.settle_words(frame)
    return [line("  ") + row for row in (faded([said]) if frame.stale else [said])]


def reason_line(frame: Frame, _width: int, _rows: int) -> list[Line]:
    """Draw why the settle verdict is what it is."""
    settle = frame.snapshot.numbers.settle
    return [line(("  " + safe(settle.reason if settle is not None else ""), Ink.DIM))]


def has_reason(frame: Frame, _width: int, height: int) -> int:
    """Want a row for the reason when there is one, and room."""
    settle = frame.snapshot.numbers.settle
    return 1 if settle is not None and settle.reason and height >= SHORT else 0


def chart_rows(_frame: Frame, _width: int, height: int) -> int:
    """Rows the strip chart needs at least."""
    return 2 if height < SHORT else 3


def _offset(frame: Frame) -> tuple[QuantityText, QuantityText] | None:
    snapshot = frame.snapshot
    if snapshot.numbers.estimate is not None:
        offset, u = snapshot.numbers.estimate.offset, snapshot.numbers.estimate.u
    elif snapshot.reading is not None:
        offset, u = snapshot.reading.offset, None
    else:
        return None
    return in_hertz(offset, u, snapshot.nominal_hz), write_fraction(offset, u, frame.unit)


def _shares(pair: tuple[QuantityText, QuantityText], width: int) -> tuple[int, int]:
    """Share the width in the proportion the two texts need."""
    needs = [SIZES[-1].width(text.digits) + len(text.unit) + MARGIN for text in pair]
    left = max(width * needs[0] // sum(needs), min(needs[0], width))
    return left, width - left


def _size(
    frame: Frame, pair: tuple[QuantityText, QuantityText], widths: tuple[int, int], rows: int
) -> DigitSize | None:
    """Return the largest size at which both texts fit beside their units."""
    sizes = [
        size_for(room - MARGIN - len(text.unit), rows, text.digits, frame.look)
        for text, room in zip(pair, widths, strict=True)
    ]
    return min((s for s in sizes if s), key=lambda s: s.across) if all(sizes) else None


def _spread(frame: Frame, text: QuantityText) -> str:
    if text.u == "?":
        return "uncertainty not known yet"
    return f"{frame.look.glyphs.plus_minus} {text.u} {text.unit}"


TRIM = View(
    name="trim",
    title="Trim",
    blocks=(
        Block(offset_digits, digit_rows),
        Block(direction_line, always(1)),
        Block(scale, scale_rows),
        Block(nudge_line, always(1)),
        Block(settle_line, always(1)),
        Block(reason_line, has_reason, spare=2),
        Block(strip_chart, chart_rows, fills=True, slow=True),
        Block(hazard_line, always(1)),
    ),
    help=(
        (
            "The large figures are the offset from nominal, in hertz and as a fraction, with the "
            "standard uncertainty (k = 1) below. They come from the readings since the last nudge "
            "or gap; how many, and over which span, is said in the line below them."
        ),
        (
            "On the scale o is the newest reading by itself and the block is the estimate, its "
            "wings one standard uncertainty long. The heavy stretch around zero is the tolerance. "
            "< or > at an end: it lies beyond."
        ),
        "A nudge is a step of the offset that the readings confirm: one turn of the trimmer.",
        (
            "The word in brackets says whether the drift will stay inside the limit that was asked "
            "for: WARMING, SETTLED, or UNSURE when the noise is too large to tell."
        ),
        "Everything goes dim when no readings come: what is dim is not current.",
    ),
)
