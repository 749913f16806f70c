"""The number to act on in large figures: the offset; with the tool on, the way left to the aim."""

from benchwatch.quantity import QuantityText, write_fraction
from benchwatch.screen.drawing.large_digits import large, sizes_for
from benchwatch.screen.drawing.styled_text import Role, StyledLine, beside, faded, line
from benchwatch.screen.frame import FigureFormat, Frame
from benchwatch.screen.panels.large_figures import (
    LARGE_U_ROWS,
    SMALL_SIZE,
    Pair,
    figure,
    largest_figure,
    side_by_side,
    uncertainty,
)
from benchwatch.screen.panels.status_text import tool_on, tool_state
from benchwatch.screen.text.amounts import (
    in_hertz,
    shown_offset,
    way_left,
    widened,
    with_u,
)


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
    return _drawn(frame, pair, width, rows)


def acting_figures(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw the number to act on like `both_figures`: the way left while the tool is on."""
    if not _shows_left(frame):
        return both_figures(frame, width, rows)
    pair = left_pair(frame)
    if pair is None:
        return _unknown_left(frame, width, rows)
    return _drawn(frame, pair, width, rows)


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
    below = _below(frame, hertz, fraction, width, rows)
    sizes = largest_figure(frame, fraction, width, rows - len(below))
    drawn = [row.centred(width) for row in figure(frame, fraction, sizes)]
    blank = [StyledLine()] * max((rows - len(below) - len(drawn)) // 2, 0)
    drawing = [*blank, *drawn, *(row.centred(width) for row in below)]
    return faded(drawing) if frame.stale else drawing


def _below(
    frame: Frame, hertz: QuantityText, fraction: QuantityText, width: int, rows: int
) -> list[StyledLine]:
    """Draw the uncertainty and the value in hertz in large characters; with few rows in one."""
    small = uncertainty(frame, fraction, None)[0] + line(("     " + hertz.bare, Role.STRONG))
    u = uncertainty(frame, fraction, SMALL_SIZE)
    in_hertz_too = large(
        f"{hertz.digits.replace(' ', '')} {hertz.unit}", SMALL_SIZE, frame.theme.glyphs
    )
    if rows < LARGE_U_ROWS or len(u) == 1:
        return [small]
    both = beside([u, in_hertz_too], [u[0].width + 4, in_hertz_too[0].width])
    if both[0].width <= width:
        return both
    bare = [*[line()] * (len(u) - 1), line((hertz.bare, Role.STRONG))]
    both = beside([u, bare], [u[0].width + 4, bare[-1].width])
    return both if both[0].width <= width else [small]


def _shows_left(frame: Frame) -> bool:
    """Return whether the way left is the number to act on: the tool is on, and its pull known.

    Before the first lift nobody knows the aim: the offset with the tool on is all there is.
    """
    tool = tool_state(frame)
    is_known = tool is not None and tool.aim_pull is not None
    return is_known and tool_on(frame) and offset_pair(frame) is not None


def _unknown_left(frame: Frame, width: int, rows: int) -> list[StyledLine]:
    """Draw a question mark, why the way left is not known, and the offset in plain characters."""
    now, offset = frame.snapshot.trim, offset_pair(frame)
    why = "no estimate yet: wait for readings"
    if frame.stale:
        why = "no readings come"
    elif now is not None and now.touched:
        why = "the tool was just put on: wait for readings"
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


def _drawn(frame: Frame, pair: Pair, width: int, rows: int) -> list[StyledLine]:
    """Draw both figures, dim while no readings come."""
    drawing = side_by_side(frame, pair, width, rows)
    return faded(drawing) if frame.stale else drawing


def _no_figure(frame: Frame) -> StyledLine:
    """Write why there is no figure."""
    if frame.snapshot.reading is None:
        return line(("no reading yet", Role.DIM))
    return line(("overrange: the counter gives no number", Role.OFF))
