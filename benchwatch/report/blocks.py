"""What a document is made of, without a font or a width; and the same as plain text."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from benchwatch.quantity import printable

Tone = Literal["text", "quiet", "strong", "warning"]
"""What a stretch of text means; a front end gives it a colour or a weight."""

GAP: Final = "   "
"""Between two phrases of one line of plain text."""
LONGEST_CELL: Final = 120
"""Characters of a table's cell that are shown."""


@dataclass(frozen=True, slots=True)
class Span:
    """Characters in one tone."""

    text: str
    tone: Tone = "text"


@dataclass(frozen=True, slots=True)
class Sentence:
    """Running text, which may be broken between any two words."""

    text: str
    tone: Tone = "text"


@dataclass(frozen=True, slots=True)
class Phrases:
    """Short pieces of one line; it may be broken between them, not within."""

    phrases: tuple[tuple[Span, ...], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells under a header."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


DocumentPart = Sentence | Phrases | Table


def plain_text(blocks: Iterable[DocumentPart]) -> str:
    """Write blocks one below the other, a blank line around each table."""
    lines: list[str] = []
    for block in blocks:
        if isinstance(block, Table):
            lines += ["", align_table(block.header, block.rows), ""]
        elif isinstance(block, Phrases):
            lines.append(GAP.join("".join(span.text for span in one) for one in block.phrases))
        else:
            lines.append(block.text)
    return "\n".join(lines)


def align_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Align columns; those whose cells all begin like a number are set flush right."""
    shown = [[printable(cell, LONGEST_CELL) for cell in row] for row in rows]
    widths = [max(len(row[k]) for row in (header, *shown)) for k in range(len(header))]
    right = [bool(shown) and all(_is_numeric(row[k]) for row in shown) for k in range(len(header))]

    def line(cells: Sequence[str]) -> str:
        return "  ".join(
            cell.rjust(width) if flush else cell.ljust(width)
            for cell, width, flush in zip(cells, widths, right, strict=True)
        ).rstrip()

    return "\n".join(line(row) for row in (header, *shown))


def _is_numeric(cell: str) -> bool:
    return not cell or cell == "-" or cell.lstrip("+-")[:1].isdigit()
