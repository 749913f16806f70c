"""The blocks of a document, independent of font and width, and their form in plain text."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from benchwatch.quantity import printable

Tone = Literal["text", "quiet", "strong", "warning"]
"""Meaning of a piece of text; a front end shows it by colour or weight."""

PHRASE_SEPARATOR: Final = "   "
"""Separates two phrases on one line of plain text."""
LONGEST_CELL_CHARS: Final = 120
"""Most characters of a table's cell; the rest is cut off."""


@dataclass(frozen=True, slots=True)
class Span:
    """Characters in one tone."""

    text: str
    tone: Tone = "text"


@dataclass(frozen=True, slots=True)
class Sentence:
    """Running text; a line may break between any two words."""

    text: str
    tone: Tone = "text"


@dataclass(frozen=True, slots=True)
class Phrases:
    """Short pieces of text on one line; the line may break between pieces, not within one."""

    phrases: tuple[tuple[Span, ...], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells under a header."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


DocumentPart = Sentence | Phrases | Table


def plain_text(blocks: Iterable[DocumentPart]) -> str:
    """Write blocks one below the other, with a blank line before and after each table."""
    lines: list[str] = []
    for block in blocks:
        if isinstance(block, Table):
            lines += ["", align_table(block.header, block.rows), ""]
        elif isinstance(block, Phrases):
            lines.append(
                PHRASE_SEPARATOR.join("".join(span.text for span in one) for one in block.phrases)
            )
        else:
            lines.append(block.text)
    return "\n".join(lines)


def align_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a table as text with aligned columns; a column of numbers is flush right.

    Cells are escaped, and cut to `LONGEST_CELL_CHARS`.
    """
    shown = [[printable(cell, LONGEST_CELL_CHARS) for cell in row] for row in rows]
    widths = [max(len(row[k]) for row in (header, *shown)) for k in range(len(header))]
    right = [bool(shown) and all(_is_numeric(row[k]) for row in shown) for k in range(len(header))]

    def line(cells: Sequence[str]) -> str:
        return "  ".join(
            cell.rjust(width) if flush else cell.ljust(width)
            for cell, width, flush in zip(cells, widths, right, strict=True)
        ).rstrip()

    return "\n".join(line(row) for row in (header, *shown))


def _is_numeric(cell: str) -> bool:
    """Return whether a cell begins like a number, is empty, or is ``-``."""
    return not cell or cell == "-" or cell.lstrip("+-")[:1].isdigit()
