"""Rows of text, as of a screen, as a drawing for paper."""

import unicodedata
from collections.abc import Sequence
from typing import Final

from benchwatch.report.charts.svg_elements import (
    TITLE_MM,
    attribute,
    escaped,
    mm,
    shortened,
    text_element,
)

FONT_MM: Final = 2.5
CELL_MM: Final = 0.602 * FONT_MM
"""Width of a cell: that of a character of the font below."""
ROW_MM: Final = 3.3
EDGE_MM: Final = 2.0
HEAD_MM: Final = 5.5
FONT: Final = "DejaVu Sans Mono, monospace"
LEAST_CELLS: Final = 40
NO_BREAK_SPACE: Final = "\u00a0"


def text_picture(title: str, rows: Sequence[str]) -> str:
    """Return an SVG of a title and rows of text in which each character takes a cell.

    Of blank rows one below the other one stays; wide characters take two cells.
    """
    kept: list[str] = []
    for row in (row.rstrip() for row in rows):
        if row or (kept and kept[-1]):
            kept.append(row)
    cells = max([LEAST_CELLS, *map(_cells, kept)])
    width = cells * CELL_MM + 2 * EDGE_MM
    height = HEAD_MM + len(kept) * ROW_MM + EDGE_MM
    words = shortened(title, width - 2 * EDGE_MM, TITLE_MM)
    drawn = [text_element(EDGE_MM, EDGE_MM + 2.0, words, size_mm=TITLE_MM, bold=True)]
    for number, row in enumerate(kept):
        if row:
            y = HEAD_MM + (number + 0.8) * ROW_MM
            shown = escaped(row.replace(" ", NO_BREAK_SPACE))
            drawn.append(
                f'<text x="{mm(EDGE_MM)}" y="{mm(y)}" font-family="{FONT}" '
                f'font-size="{FONT_MM:g}" textLength="{mm(_cells(row) * CELL_MM)}">{shown}</text>'
            )
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{mm(width)}mm" height="{mm(height)}mm" '
        f'viewBox="0 0 {mm(width)} {mm(height)}" role="img" aria-label={attribute(title)} '
        'font-family="sans-serif" fill="#111">'
    )
    names = f"<title>{escaped(title)}</title><desc>The rows of the screen as text.</desc>"
    return "\n".join([head, names, *drawn, "</svg>"]) + "\n"


def _cells(row: str) -> int:
    return sum(
        0 if unicodedata.combining(one) else 2 if unicodedata.east_asian_width(one) in "WF" else 1
        for one in row
    )
