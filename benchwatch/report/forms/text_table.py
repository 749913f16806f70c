"""A table as lines of text of a given width."""

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

GAP: Final = "  "
NARROWEST: Final = 8
"""Least width of a column whose cells are broken."""


def text_table(header: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> Iterator[str]:
    """Yield the lines of a table: a header, a rule, and cells that break within their columns.

    The widest columns give way until the table fits. Where there are too many columns for that,
    each row becomes a paragraph of ``header: cell``.
    """
    widths = _widths([header, *rows], width)
    if widths is None:
        yield from _paragraphs(header, rows, width)
        return
    yield from _row(header, widths)
    yield GAP.join("-" * one for one in widths)
    for row in rows:
        yield from _row(row, widths)


def _widths(rows: Sequence[Sequence[str]], width: int) -> list[int] | None:
    """Return the width of each column; None where they do not fit."""
    widths = [max(1, *(len(cell) for cell in column)) for column in zip(*rows, strict=True)]
    excess = sum(widths) + len(GAP) * (len(widths) - 1) - width
    while excess > 0:
        widest = max(range(len(widths)), key=widths.__getitem__)
        rivals = [one for k, one in enumerate(widths) if k != widest]
        # Down to the next widest column at once, at least by one.
        step = min(excess, max(1, widths[widest] - max(rivals, default=0)))
        widths[widest] -= step
        excess -= step
        if widths[widest] < NARROWEST:
            return None
    return widths


def _row(cells: Sequence[str], widths: Sequence[int]) -> Iterator[str]:
    broken = [
        textwrap.wrap(cell, width, break_on_hyphens=False) or [""]
        for cell, width in zip(cells, widths, strict=True)
    ]
    for k in range(max(map(len, broken))):
        yield GAP.join(
            (lines[k] if k < len(lines) else "").ljust(width)
            for lines, width in zip(broken, widths, strict=True)
        )


def _paragraphs(header: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> Iterator[str]:
    for row in rows:
        text = "; ".join(f"{name}: {cell}" for name, cell in zip(header, row, strict=True) if cell)
        yield from textwrap.wrap(text, width, subsequent_indent=GAP, break_on_hyphens=False)
