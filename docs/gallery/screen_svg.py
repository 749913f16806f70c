"""Draws rows of the screen as an SVG picture that looks the same with every font.

Text keeps the cells of the terminal by the length that is stated with it; blocks, rules and dots
are drawn as shapes. Nothing is loaded from elsewhere: the font is whatever the reader's browser
takes for ``monospace``. Format: SVG 1.1 (https://www.w3.org/TR/SVG11/).
"""

import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from html import escape

from rich.cells import cell_len
from rich.color import Color

from benchwatch.colours import Palette
from benchwatch.screen.drawing.styled_text import StyledLine
from benchwatch.screen.drawing.theme import Theme

CELL_WIDTH, CELL_HEIGHT = 8, 17
"""Size of a cell of the terminal, in units of the picture."""
MARGIN = 12
FONT_SIZE = 13
BASELINE = 13
"""From the upper edge of a cell to the line on which characters stand."""
DOT = 2.5
"""Side of a dot of a chart."""

Shape = tuple[float, float, float, float]
"""A rectangle within a cell: left, top, width, height."""

_MIDDLE, _CENTRE = 8, 3.5
_ACROSS: Shape = (0, _MIDDLE, CELL_WIDTH, 1)
_DOWN: Shape = (_CENTRE, 0, 1, CELL_HEIGHT)
SHAPES: dict[str, tuple[Shape, ...]] = {
    "█": ((0, 0, CELL_WIDTH, CELL_HEIGHT),),
    "▀": ((0, 0, CELL_WIDTH, CELL_HEIGHT / 2),),
    "▄": ((0, CELL_HEIGHT / 2, CELL_WIDTH, CELL_HEIGHT / 2),),
    "─": (_ACROSS,),
    "━": ((0, _MIDDLE - 1, CELL_WIDTH, 3),),
    "│": (_DOWN,),
    "┼": (_ACROSS, _DOWN),
    "┴": (_ACROSS, (_CENTRE, 0, 1, _MIDDLE)),
    "├": (_DOWN, (_CENTRE, _MIDDLE, CELL_WIDTH - _CENTRE, 1)),
    "┤": (_DOWN, (0, _MIDDLE, _CENTRE, 1)),
}
"""The characters that are drawn as rectangles."""
_BRAILLE = 0x2800
_DOTS = ((0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2), (0, 3), (1, 3))
"""Column and row of the dot of each bit of a braille character (the Unicode Standard, Braille
Patterns)."""


@dataclass(slots=True)
class _Drawing:
    """What a picture consists of so far."""

    backgrounds: list[str] = field(default_factory=list)
    paths: defaultdict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    """Rectangles by their colour."""
    texts: list[str] = field(default_factory=list)


def screen_svg(rows: Sequence[StyledLine], theme: Theme, palette: Palette, title: str) -> str:
    """Return rows of one width as an SVG document.

    Args:
        rows: the rows of the screen.
        theme: gives the colours of each role; one that has colours.
        palette: the palette of that theme.
        title: what the picture shows, for readers that can't see it.
    """
    width = max(row.width for row in rows) * CELL_WIDTH + 2 * MARGIN
    height = len(rows) * CELL_HEIGHT + 2 * MARGIN
    drawing = _Drawing()
    for number, row in enumerate(rows):
        _draw_row(drawing, row, MARGIN + number * CELL_HEIGHT, theme, palette)
    paths = [
        f'<path fill="{colour}" d="{"".join(parts)}"/>' for colour, parts in drawing.paths.items()
    ]
    shown = escape(title)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}" role="img" aria-label="{shown}" '
        f'font-family="monospace" font-size="{FONT_SIZE}">\n'
        f"<title>{shown}</title>\n"
        f'<rect width="{width}" height="{height}" rx="6" fill="{palette.background}"/>'
    )
    return "\n".join((head, *drawing.backgrounds, *paths, *drawing.texts, "</svg>", ""))


def _draw_row(
    drawing: _Drawing, row: StyledLine, top: float, theme: Theme, palette: Palette
) -> None:
    """Draw one row whose upper edge is at `top`."""
    left = MARGIN
    for text, role in row.spans:
        style = theme.style(role)
        ink, behind = _hex(style.color), _hex(style.bgcolor)
        wide = cell_len(text) * CELL_WIDTH
        if behind != palette.background:
            drawing.backgrounds.append(_rectangle(left, top, wide, behind))
        _draw_text(drawing, text, (left, top), ink, bold=bool(style.bold))
        left += wide


def _draw_text(
    drawing: _Drawing, text: str, place: tuple[float, float], ink: str, *, bold: bool
) -> None:
    """Draw a span of one style, its characters as text or as shapes."""
    left, top = place
    for match in re.finditer(r"[^ ]+(?: [^ ]+)*", text):
        start = left + cell_len(text[: match.start()]) * CELL_WIDTH
        for run, is_shape in _runs(match.group()):
            if is_shape:
                for at, char in enumerate(run):
                    drawing.paths[ink] += _shapes(char, start + at * CELL_WIDTH, top)
            elif run.strip():
                drawing.texts.append(_text(run, start, top, ink, bold=bold))
            start += cell_len(run) * CELL_WIDTH


def _runs(text: str) -> Iterator[tuple[str, bool]]:
    """Split text into runs of characters, each drawn as shapes or not."""
    for match in re.finditer(r"[\u2800-\u28ff█▀▄─━│┼┴├┤]+|[^\u2800-\u28ff█▀▄─━│┼┴├┤]+", text):
        run = match.group()
        yield run, run[0] in SHAPES or ord(run[0]) >= _BRAILLE


def _shapes(char: str, left: float, top: float) -> Iterator[str]:
    """Return the parts of a path that draw a character in the cell at `left` and `top`."""
    if char in SHAPES:
        boxes: Sequence[Shape] = SHAPES[char]
    else:
        bits = ord(char) - _BRAILLE
        across, down = CELL_WIDTH / 2, CELL_HEIGHT / 4
        boxes = [
            (column * across + 0.75, row * down + 0.75, DOT, DOT)
            for bit, (column, row) in enumerate(_DOTS)
            if bits >> bit & 1
        ]
    for x, y, width, height in boxes:
        yield f"M{left + x:g} {top + y:g}h{width:g}v{height:g}h{-width:g}z"


def _text(run: str, left: float, top: float, ink: str, *, bold: bool) -> str:
    """Return an element of text that fills exactly its cells."""
    inner = run.strip(" ")
    left += cell_len(run[: len(run) - len(run.lstrip(" "))]) * CELL_WIDTH
    weight = ' font-weight="bold"' if bold else ""
    length = f' textLength="{cell_len(inner) * CELL_WIDTH}" lengthAdjust="spacingAndGlyphs"'
    place = f'x="{left:g}" y="{top + BASELINE:g}"'
    return f'<text {place}{length}{weight} fill="{ink}">{escape(inner)}</text>'


def _rectangle(left: float, top: float, width: float, colour: str) -> str:
    place = f'x="{left:g}" y="{top:g}" width="{width:g}" height="{CELL_HEIGHT}"'
    return f'<rect {place} fill="{colour}"/>'


def _hex(colour: Color | None) -> str:
    """Return a colour of a style as hexadecimal text."""
    assert colour is not None, "the theme has colours"
    return colour.get_truecolor().hex
