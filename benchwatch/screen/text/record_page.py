"""The page of what was recorded: as found and as left, each with its budget."""

from typing import Final

from benchwatch.quantity import QuantityText
from benchwatch.report.blocks import Block, Phrases, Table, Tone
from benchwatch.report.record_document import DocumentStyle, document
from benchwatch.screen.drawing.styled_text import (
    Role,
    StyledLine,
    Theme,
    line,
    wrapped,
    wrapped_text,
)
from benchwatch.screen.frame import Frame
from benchwatch.screen.text.amounts import with_u
from benchwatch.screen.text.local_time import date_and_time

NAME_CELLS, SOURCE_FROM = 24, 38
"""Cells of the name in a table's row, and where the last cell, its source, begins."""
WIDE = 70
"""Pages from so many cells on have room for the source beside the figure."""
ROLES: Final[dict[Tone, Role]] = {
    "text": Role.TEXT,
    "quiet": Role.DIM,
    "strong": Role.STRONG,
    "warning": Role.OFF,
}


def budget_lines(frame: Frame, width: int) -> list[StyledLine]:
    """Draw both records in rows of at most `width` cells."""
    records = frame.snapshot.records
    drawn = [line(("Records", Role.STRONG)), StyledLine()]
    kept = [one for one in (records.as_found, records.as_left) if one] if records else []
    if not kept:
        return [*drawn, *wrapped_text("Nothing has been recorded yet.", width)]

    def amount(text: QuantityText) -> str:
        return with_u(text, frame.theme.glyphs.plus_minus)

    style = DocumentStyle(
        unit=frame.unit,
        detail="short",
        moment=date_and_time,
        amount=amount,
        clean=frame.theme.told,
    )
    for record in kept:
        for block in document(record, style):
            drawn += _drawn(block, frame.theme, width)
        drawn.append(StyledLine())
    return drawn


def _drawn(block: Block, theme: Theme, width: int) -> list[StyledLine]:
    if isinstance(block, Phrases):
        phrases = [line(*((span.text, ROLES[span.tone]) for span in one)) for one in block.phrases]
        return wrapped(phrases, width)
    if isinstance(block, Table):
        return [row for cells in block.rows for row in _table_row(cells, theme, width)]
    return wrapped_text(block.text, width, ROLES[block.tone])


def _table_row(cells: tuple[str, ...], theme: Theme, width: int) -> list[StyledLine]:
    """Draw name, figures and source; the source below the rest where there is no room beside."""
    name, *figures, source = cells
    start = line(f"  {name}").fit(NAME_CELLS + 1, theme.glyphs.cut)
    start += line(f" {' '.join(figures)}")
    beside = width >= WIDE and start.width < SOURCE_FROM
    indent = SOURCE_FROM if beside else 4
    first, *more = wrapped_text(source or "-", width - indent, Role.DIM)
    below = [line(" " * indent) + row for row in ((first, *more) if not beside else more)]
    return [start.fit(SOURCE_FROM) + first, *below] if beside else [start, *below]
