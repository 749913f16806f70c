"""The number to act on in large figures: the offset; with the tool on, the way left to the aim."""

from benchwatch.quantity import QuantityText, write_fraction
from benchwatch.screen.drawing.large_digits import DigitSize, large, size_for, sizes_for
from benchwatch.screen.drawing.styled_text import Role, StyledLine, beside, faded, line
from benchwatch.screen.frame import FigureFormat, Frame
from benchwatch.screen.panels.status_text import tool_on, tool_state
from benchwatch.screen.text.amounts import (
    in_hertz,
    shown_offset,
    way_left,
    widened,
    with_u,
    write_u,
)

FIGURE_BLANKS = 3
"""Blanks in the row of a large figure: two left of it, and one before its unit."""

Pair = tuple[QuantityText, QuantityText]
"""The offset in hertz, and as a fraction."""
Sizes = tuple[DigitSize | None, DigitSize | None]
"""Sizes of hertz and fraction; None: one row of plain characters."""


def offset_pair(frame: Frame) -> Pair | None:
    """Write the estimate, else the reading, in hertz and as a fraction; None: there is neither."""
    shown = shown_offset(frame.snapshot)
    return None if shown is None else _pair(frame, shown, frame.hertz_format, frame.fraction_format)


def left_pair(frame: Frame) -> Pair | None:
    """Write the way left to the aim, signed: with ``+`` the frequency must go up; None: unknown."""
    left = way_left(frame.snapshot)
    if left is None or frame.stale:
        return None
    return _pair(frame, left, frame.left_hertz_format, frame.left_fraction_format)


def _pair(
    frame: Frame, value: tuple[float, float | None], hertz: FigureFormat, fraction: FigureFormat
) -> Pair:
    """Write a value (fractional) and its u in hertz and as a fraction."""
    (offset, u), nominal_hz = value, frame.snapshot.nominal_hz
    return (
        widened(in_hertz(offset, u, nominal_hz, hertz.decimals), hertz.places),
        widened(write_fraction(offset, u, frame.unit, decimals=fraction.decimals), fraction.places),
    )


def both_figures(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the offset in hertz and as a fraction side by side, uncertainty below each."""
    pair = offset_pair(frame)
    if pair is None:
        return [line("  ") + _no_figure(frame)]
    return _side_by_side(frame, pair, width, rows)


def acting_figures(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the number to act on like `both_figures`: the way left while the tool is on."""
    if not _shows_left(frame):
        return both_figures(frame, width, rows)
    pair = left_pair(frame)
    if pair is None:
        return _unknown_left(frame, width, rows)
    return _side_by_side(frame, pair, width, rows)


def one_figure(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the fraction to act on as large as it fits, hertz and uncertainty in a row below."""
    pair = offset_pair(frame)
    if pair is None:
        return [_no_figure(frame).centred(width)]
    if _shows_left(frame):
        pair = left_pair(frame)
        if pair is None:
            return _unknown_left(frame, width, rows)
    hertz, fraction = pair
    size = size_for(width - 2 - len(fraction.unit), rows - 1, fraction.digits, frame.theme)
    figure = [row.centred(width) for row in _figure(frame, fraction, size)]
    below = f"{_uncertainty(frame, fraction).plain.strip()}     {hertz.bare}"
    blank = [StyledLine()] * max((rows - 1 - len(figure)) // 2, 0)
    drawing = [*blank, *figure, line((below, Role.STRONG)).centred(width)]
    return faded(drawing) if frame.stale else drawing


def _shows_left(frame: Frame) -> bool:
    """Return whether the way left is the number to act on: the tool is on, and readings came."""
    return tool_on(frame) and offset_pair(frame) is not None


def _unknown_left(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw a question mark, why the way left is not known, and the offset in plain characters."""
    now, offset = frame.snapshot.trim, offset_pair(frame)
    tool = tool_state(frame)
    why = "the pull of the tool is not known yet"
    if frame.stale:
        why = "no readings come"
    elif now is not None and now.touched:
        why = "the tool was just put on: wait for readings"
    elif tool is not None and tool.aim_pull is not None:
        why = "no estimate yet: wait for readings"
    words = [
        line(("way left to the aim: not known", Role.STRONG)),
        line(why),
        line(f"offset {with_u(offset[1], frame.theme.glyphs.plus_minus)}") if offset else line(),
    ]
    sizes = sizes_for(rows, frame.theme)
    sign = large("?", sizes[0], frame.theme.glyphs, Role.STRONG) if sizes else []
    cells = sign[0].width + 5 if sign else 2
    indented = [line("  ") + row for row in sign]
    drawing = beside([indented, words], [cells, width - cells])
    return faded(drawing) if frame.stale else drawing


def _side_by_side(frame: Frame, pair: Pair, width: int, rows: int) -> list[StyledLine]:
    """Draw hertz and fraction side by side, the uncertainty below each."""
    sizes = _sizes(frame, pair, width, rows - 1)
    columns = [
        [*_figure(frame, text, size), _uncertainty(frame, text)]
        for text, size in zip(pair, sizes, strict=True)
    ]
    drawing = beside(columns, _shares(frame, pair, sizes, width))
    return faded(drawing) if frame.stale else drawing


def _no_figure(frame: Frame) -> StyledLine:
    """Write why there is no figure."""
    if frame.snapshot.reading is None:
        return line(("no reading yet", Role.DIM))
    return line(("overrange: the counter gives no number", Role.OFF))


def _figure(frame: Frame, text: QuantityText, size: DigitSize | None) -> list[StyledLine]:
    """Draw a figure and its unit, all rows of one width; `size` None: in plain characters."""
    if size is None:
        return [line("  ", (text.digits, Role.STRONG), " ", (text.unit, Role.STRONG))]
    rows = [line("  ") + row for row in large(text.digits, size, frame.theme.glyphs)]
    rows[-1] += line(" ", (text.unit, Role.STRONG))
    wide = rows[-1].width
    return [row.fit(wide) for row in rows]


def _uncertainty(frame: Frame, text: QuantityText) -> StyledLine:
    if text.u == "?":
        return line("  uncertainty not known yet")
    return line(f"  {frame.theme.glyphs.plus_minus} {write_u(text)} {text.unit}")


def _sizes(frame: Frame, pair: Pair, width: int, rows: int) -> Sizes:
    """Choose the largest sizes at which both fit side by side; hertz is never the larger one."""
    choices = sizes_for(rows, frame.theme)
    for place, fraction in enumerate(choices):
        for hertz in (*choices[place:], None):
            if _cells(frame, pair[0], hertz) + _cells(frame, pair[1], fraction) <= width:
                return hertz, fraction
    return None, None


def _cells(frame: Frame, text: QuantityText, size: DigitSize | None) -> int:
    """Return the width in cells of the wider of a figure and the row below it."""
    digits = len(text.digits) if size is None else size.width(text.digits)
    return max(digits + len(text.unit) + FIGURE_BLANKS, _uncertainty(frame, text).width + 1)


def _shares(frame: Frame, pair: Pair, sizes: Sizes, width: int) -> tuple[int, int]:
    """Divide the width in the proportion of the cells that the two figures need."""
    needs = [_cells(frame, text, size) for text, size in zip(pair, sizes, strict=True)]
    left = max(width * needs[0] // sum(needs), min(needs[0], width))
    return left, width - left
