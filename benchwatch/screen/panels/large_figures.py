"""Large figures: digits, unit and uncertainty, each as large as the room allows."""

from collections.abc import Iterator
from dataclasses import dataclass

from benchwatch.quantity import QuantityText
from benchwatch.screen.drawing.large_digits import SIZES, DigitSize, has_bitmaps, large, sizes_for
from benchwatch.screen.drawing.styled_text import Role, StyledLine, beside, line
from benchwatch.screen.frame import Frame
from benchwatch.screen.text.amounts import write_u

SMALL_SIZE = SIZES[-1]
"""Size of units and uncertainties beside and below larger digits: three rows, in ASCII too."""
UNIT_SIZES = (SIZES[-2], SMALL_SIZE)
"""Sizes of a unit in glyphs, larger first; it is never larger than half its digits."""
SHORT_UNITS = {"parts in 10^12": "e-12"}
"""Names of units in large glyphs, where the usual one is too long."""
LARGE_U_ROWS = 8
"""Rows from which the uncertainty is large too."""
MARGIN, UNIT_GAP, LARGE_UNIT_GAP = 2, 1, 2
"""Blanks left of a figure, before its unit, and before one in large glyphs."""

Pair = tuple[QuantityText, QuantityText]
"""A value in hertz, and as a fraction."""


@dataclass(frozen=True, slots=True)
class FigureSizes:
    """Sizes of the parts of one figure; None: plain characters."""

    digits: DigitSize | None = None
    unit: DigitSize | None = None
    u: DigitSize | None = None


def figure(frame: Frame, text: QuantityText, sizes: FigureSizes) -> list[StyledLine]:
    """Draw digits and unit on one base line, all rows of one width."""
    margin, glyphs = line(" " * MARGIN), frame.theme.glyphs
    if sizes.digits is None:
        return [margin + line((text.digits, Role.STRONG), " ", (text.unit, Role.STRONG))]
    rows = [margin + row for row in large(text.digits, sizes.digits, glyphs)]
    unit = [line((text.unit, Role.STRONG))]
    if sizes.unit is not None:
        unit = large(_short(text.unit), sizes.unit, glyphs)
    over = len(rows) - len(unit)
    wide = rows[0].width + (UNIT_GAP if sizes.unit is None else LARGE_UNIT_GAP)
    rows = [
        row.fit(wide) + (unit[at - over] if at >= over else line()) for at, row in enumerate(rows)
    ]
    return [row.fit(max(row.width for row in rows)) for row in rows]


def uncertainty(frame: Frame, text: QuantityText, size: DigitSize | None) -> list[StyledLine]:
    """Draw the uncertainty of a figure with its unit, which stays in plain characters."""
    if text.u == "?":
        return [line("  ", ("uncertainty not known yet", Role.STRONG))]
    written = write_u(text)
    if size is None or not has_bitmaps(written):
        return [line("  ", (f"{frame.theme.glyphs.plus_minus} {written} {text.unit}", Role.STRONG))]
    rows = [line(" " * MARGIN) + row for row in large(f"±{written}", size, frame.theme.glyphs)]
    rows[-1] += line(f" {text.unit}")
    return [row.fit(rows[-1].width) for row in rows]


def side_by_side(frame: Frame, pair: Pair, width: int, rows: int) -> list[StyledLine]:
    """Draw hertz and fraction side by side, the uncertainty below each."""
    chosen = next(
        (sizes for sizes in _choices(frame, rows) if sum(_needs(frame, pair, sizes)) <= width),
        (FigureSizes(), FigureSizes()),
    )
    columns = [
        [*figure(frame, text, sizes), *uncertainty(frame, text, sizes.u)]
        for text, sizes in zip(pair, chosen, strict=True)
    ]
    needs = _needs(frame, pair, chosen)
    left = max(width * needs[0] // sum(needs), min(needs[0], width))
    return beside(columns, (left, width - left))


def largest_figure(frame: Frame, text: QuantityText, width: int, rows: int) -> FigureSizes:
    """Return the largest sizes of one figure in `width` cells and `rows`, without its u."""
    for digits in sizes_for(rows, frame.theme):
        units = [size for size in UNIT_SIZES if 2 * size.rows <= digits.rows + 1]
        for unit in (*units, SMALL_SIZE, None):
            sizes = FigureSizes(digits, unit)
            if _width(text, sizes) <= width:
                return sizes
    return FigureSizes()


def _choices(frame: Frame, rows: int) -> Iterator[tuple[FigureSizes, FigureSizes]]:
    """Yield sizes of hertz and fraction, the best first: u large, then units, then digits.

    Hertz is never the larger one, and in plain characters where there is no room for two.
    """
    for u in (SMALL_SIZE, None) if rows >= LARGE_U_ROWS else (None,):
        choices = sizes_for(rows - (1 if u is None else u.rows), frame.theme)
        for unit in (SMALL_SIZE, None):
            for place, fraction in enumerate(choices):
                for hertz in choices[place:]:
                    yield FigureSizes(hertz, unit, u), FigureSizes(fraction, unit, u)
        for unit in (SMALL_SIZE, None):
            for fraction in choices:
                yield FigureSizes(u=u), FigureSizes(fraction, unit, u)


def _needs(frame: Frame, pair: Pair, chosen: tuple[FigureSizes, FigureSizes]) -> tuple[int, int]:
    """Return the widths in cells of both columns, with a blank right of each."""
    hertz, fraction = (
        max(_width(text, sizes), *(row.width for row in uncertainty(frame, text, sizes.u))) + 1
        for text, sizes in zip(pair, chosen, strict=True)
    )
    return hertz, fraction


def _width(text: QuantityText, sizes: FigureSizes) -> int:
    """Return the width in cells of digits and unit."""
    digits = len(text.digits) if sizes.digits is None else sizes.digits.width(text.digits)
    if sizes.unit is None:
        return MARGIN + digits + UNIT_GAP + len(text.unit)
    return MARGIN + digits + LARGE_UNIT_GAP + sizes.unit.width(_short(text.unit))


def _short(unit: str) -> str:
    return SHORT_UNITS.get(unit, unit)
