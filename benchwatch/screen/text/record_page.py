"""The page of what was recorded: as found and as left, each with its budget."""

from typing import Final

from benchwatch.quantity import QuantityText
from benchwatch.report.blocks import Block, Phrases, Table, Tone
from benchwatch.report.record_document import DocumentStyle, document
from benchwatch.screen.drawing.frame import Frame
from benchwatch.screen.drawing.styled_text import Ink, Line, Look, line, wrapped, wrapped_text
from benchwatch.screen.text.amounts import with_u
from benchwatch.screen.text.local_time import date_and_time

NAME_CELLS, SOURCE_FROM = 24, 38
"""Cells of the name in a table's row, and where the last cell, its source, begins."""
WIDE = 70
"""Pages from so many cells on have room for the source beside the figure."""
INK: Final[dict[Tone, Ink]] = {
    "text": Ink.TEXT,
    "quiet": Ink.DIM,
    "strong": Ink.STRONG,
    "warning": Ink.OFF,
}


def budget_lines(frame: Frame, width: int) -> list[Line]:
    """Draw both records in rows of at most `width` cells."""
    records = frame.snapshot.records
    drawn = [line(("Records", Ink.STRONG)), Line()]
    kept = [one for one in (records.as_found, records.as_left) if one] if records else []
    if not kept:
        return [*drawn, *wrapped_text("Nothing has been recorded yet.", width)]

    def amount(text: QuantityText) -> str:
        return with_u(text, frame.look.glyphs.plus_minus)

    style = DocumentStyle(
        unit=frame.unit,
        detail="short",
        moment=date_and_time,
        amount=amount,
        clean=frame.look.told,
    )
    for record in kept:
        for block in document(record, style):
            drawn += _drawn(block, frame.look, width)
        drawn.append(Line())
    return drawn


def _drawn(block: Block, look: Look, width: int) -> list[Line]:
    if isinstance(block, Phrases):
        phrases = [line(*((span.text, INK[span.tone]) for span in one)) for one in block.phrases]
        return wrapped(phrases, width)
    if isinstance(block, Table):
        return [row for cells in block.rows for row in _table_row(cells, look, width)]
    return wrapped_text(block.text, width, INK[block.tone])


def _table_row(cells: tuple[str, ...], look: Look, width: int) -> list[Line]:
    """Draw name, figures and source; the source below the rest where there is no room beside."""
    name, *figures, source = cells
    start = line(f"  {name}").fit(NAME_CELLS + 1, look.glyphs.cut)
    start += line(f" {' '.join(figures)}")
    beside = width >= WIDE and start.width < SOURCE_FROM
    indent = SOURCE_FROM if beside else 4
    first, *more = wrapped_text(source or "-", width - indent, Ink.DIM)
    below = [line(" " * indent) + row for row in ((first, *more) if not beside else more)]
    return [start.fit(SOURCE_FROM) + first, *below] if beside else [start, *below]
