"""The pages of text that lie over a view: help, the list of keys, the records."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Final

from benchwatch.quantity import QuantityText
from benchwatch.report.blocks import DocumentPart, Phrases, Table, Tone
from benchwatch.report.record_document import DocumentStyle, document
from benchwatch.screen.drawing.styled_text import Role, StyledLine, line, wrapped, wrapped_text
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.entry_line import shown_keys
from benchwatch.screen.frame import Frame
from benchwatch.screen.key_binding import KEY_CELLS, Capability, KeyBinding
from benchwatch.screen.panels.shared_rows import HAZARDS
from benchwatch.screen.text.amounts import with_u
from benchwatch.screen.text.local_time import date_and_time
from benchwatch.screen.view import View, ViewList

NAME_CELLS, SOURCE_COLUMN = 24, 38
"""Cells of the name in a row of a table, and the column in which its source begins."""
SOURCE_BESIDE_WIDTH = 70
"""Width in cells from which the source is drawn beside the figures, and not below."""
ROLES: Final[dict[Tone, Role]] = {
    "text": Role.TEXT,
    "quiet": Role.DIM,
    "strong": Role.STRONG,
    "warning": Role.OFF,
}


def help_lines(
    views: ViewList, view: View, keys: Sequence[KeyBinding], width: int
) -> list[StyledLine]:
    """Return the help of one view: what it shows, the `keys` that work here, the cautions."""
    rows = [line((view.title, Role.STRONG)), StyledLine()]
    for paragraph in views.help_of(view):
        rows += [*wrapped_text(paragraph, width), StyledLine()]
    rows += [line(("Keys", Role.STRONG)), *_key_lines(keys, width)]
    rows += [StyledLine(), line(("Cautions", Role.STRONG))]
    return rows + wrapped_text(HAZARDS[0], width, Role.OFF)


def key_list(
    views: ViewList, view: View, available: Collection[Capability], width: int
) -> list[StyledLine]:
    """Return the help of every key: those that work in `view`, then those of other views."""
    rows = [line((f"Keys here ({view.title})", Role.STRONG))]
    rows += _key_lines(shown_keys(views.keys_in(view, available), available), width)
    if elsewhere := views.keys_elsewhere(view, available):
        named = [
            replace(key, help=f"{views.view_for(key).title}: {key.help}")
            for key in elsewhere
            if key.help
        ]
        rows += [StyledLine(), line(("Keys in other views", Role.STRONG))]
        rows += _key_lines(named, width)
    return rows


def _key_lines(keys: Sequence[KeyBinding], width: int) -> list[StyledLine]:
    """Return label and help of each key that has a help."""
    rows = []
    for key in keys:
        if key.help:
            first, *more = wrapped_text(key.help, width - KEY_CELLS)
            rows.append(line((f"{key.label:<{KEY_CELLS}}", Role.KEY)) + first)
            rows += [line(" " * KEY_CELLS) + row for row in more]
    return rows


def record_lines(frame: Frame, width: int) -> list[StyledLine]:
    """Draw the as-found and the as-left record in rows of at most `width` cells."""
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
        clean=frame.theme.printable,
    )
    for record in kept:
        for block in document(record, style):
            drawn += _drawn(block, frame.theme, width)
        drawn.append(StyledLine())
    return drawn


def _drawn(block: DocumentPart, theme: Theme, width: int) -> list[StyledLine]:
    if isinstance(block, Phrases):
        phrases = [line(*((span.text, ROLES[span.tone]) for span in one)) for one in block.phrases]
        return wrapped(phrases, width)
    if isinstance(block, Table):
        return [row for cells in block.rows for row in _table_row(cells, theme, width)]
    return wrapped_text(block.text, width, ROLES[block.tone])


def _table_row(cells: tuple[str, ...], theme: Theme, width: int) -> list[StyledLine]:
    """Draw name, figures and source of a row; the source below them on a narrow page."""
    name, *figures, source = cells
    start = line(f"  {name}").fit(NAME_CELLS + 1, theme.glyphs.cut)
    start += line(f" {' '.join(figures)}")
    beside = width >= SOURCE_BESIDE_WIDTH and start.width < SOURCE_COLUMN
    indent = SOURCE_COLUMN if beside else 4
    first, *more = wrapped_text(source or "-", width - indent, Role.DIM)
    below = [line(" " * indent) + row for row in ((first, *more) if not beside else more)]
    return [start.fit(SOURCE_COLUMN) + first, *below] if beside else [start, *below]
