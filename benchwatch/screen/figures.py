"""The offset in large figures."""

import math

from benchwatch.quantity import QuantityText, write_fraction
from benchwatch.screen.amounts import in_hertz
from benchwatch.screen.digits import ASCII_SIZES, SIZES, DigitSize, large, size_for
from benchwatch.screen.frame import Frame
from benchwatch.screen.ink import Ink, Line, beside, faded, line

MARGIN = 3
"""Blanks left of a large figure and between it and its unit."""

Pair = tuple[QuantityText, QuantityText]


def offset_pair(frame: Frame) -> Pair | None:
    """Write the offset in hertz and as a fraction; the newest reading while nothing is better."""
    snapshot = frame.snapshot
    if snapshot.numbers.estimate is not None:
        offset, u = snapshot.numbers.estimate.offset, snapshot.numbers.estimate.u
    elif snapshot.reading is not None and math.isfinite(snapshot.reading.offset):
        offset, u = snapshot.reading.offset, None
    else:
        return None
    return in_hertz(offset, u, snapshot.nominal_hz), write_fraction(offset, u, frame.unit)


def both_figures(frame: Frame, width: int, rows: int) -> list[Line]:
    """Draw the offset in hertz and as a fraction side by side, uncertainty below each."""
    pair = offset_pair(frame)
    if pair is None:
        return [line("  ") + _nothing(frame)]
    widths = _shares(frame, pair, width)
    size = _common_size(frame, pair, widths, rows - 1)
    columns = [[*_figure(frame, text, size), _uncertainty(frame, text)] for text in pair]
    drawing = beside(columns, widths)
    return faded(drawing) if frame.stale else drawing


def one_figure(frame: Frame, width: int, rows: int) -> list[Line]:
    """Draw the fraction as large as it goes, hertz and uncertainty in a row below."""
    pair = offset_pair(frame)
    if pair is None:
        return [_nothing(frame).centred(width)]
    hertz, fraction = pair
    size = size_for(width - 2 - len(fraction.unit), rows - 1, fraction.digits, frame.look)
    figure = [row.centred(width) for row in _figure(frame, fraction, size)]
    said = f"{_uncertainty(frame, fraction).plain.strip()}     {hertz.bare}"
    blank = [Line()] * max((rows - 1 - len(figure)) // 2, 0)
    drawing = [*blank, *figure, line((said, Ink.STRONG)).centred(width)]
    return faded(drawing) if frame.stale else drawing


def _nothing(frame: Frame) -> Line:
    """Say why there is no figure."""
    if frame.snapshot.reading is None:
        return line(("no reading yet", Ink.DIM))
    return line(("overrange: the counter gives no number", Ink.OFF))


def _figure(frame: Frame, text: QuantityText, size: DigitSize | None) -> list[Line]:
    if size is None:
        return [line("  ", (text.digits, Ink.STRONG), " ", (text.unit, Ink.STRONG))]
    rows = [line("  ") + row for row in large(text.digits, size, frame.look.glyphs)]
    rows[-1] += line(" ", (text.unit, Ink.STRONG))
    wide = rows[-1].width
    return [row.fit(wide) for row in rows]


def _uncertainty(frame: Frame, text: QuantityText) -> Line:
    if text.u == "?":
        return line("  uncertainty not known yet")
    return line(f"  {frame.look.glyphs.plus_minus} {text.u} {text.unit}")


def _shares(frame: Frame, pair: Pair, width: int) -> tuple[int, int]:
    """Share the width in the proportion the two texts need."""
    smallest = (ASCII_SIZES if frame.look.ascii else SIZES)[-1]
    needs = [smallest.width(text.digits) + len(text.unit) + MARGIN for text in pair]
    left = max(width * needs[0] // sum(needs), min(needs[0], width))
    return left, width - left


def _common_size(frame: Frame, pair: Pair, widths: tuple[int, int], rows: int) -> DigitSize | None:
    """Return the largest size at which both texts fit beside their units."""
    sizes = [
        size_for(room - MARGIN - len(text.unit), rows, text.digits, frame.look)
        for text, room in zip(pair, widths, strict=True)
    ]
    return min((s for s in sizes if s), key=lambda s: s.across) if all(sizes) else None
