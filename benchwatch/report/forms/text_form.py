"""The report as text for a terminal: tables aligned, long cells broken."""

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from benchwatch.report.forms.harmless_text import harmless_document
from benchwatch.report.forms.page_view import page_marks, replacement_words
from benchwatch.report.forms.text_table import text_table

COLUMNS: Final = 80
LABEL_CHARS: Final = 24
"""A longer label of a fact stands on a line of its own."""
INDENT: Final = "  "


def text_form(document: Mapping[str, Any], columns: int = COLUMNS) -> bytes:
    """Return a document as plain text in UTF-8, without control characters but line ends.

    Args:
        document: for JSON.
        columns: how wide the text may be; a file is always as wide as `COLUMNS`.
    """
    shown = harmless_document(document)
    lines = [line.rstrip() for line in _lines(shown, columns)]
    return ("\n".join(lines) + "\n").encode()


def _lines(document: Mapping[str, Any], columns: int) -> Iterator[str]:
    issue, laboratory = document["issue"], document["laboratory"]
    marks = page_marks(document)
    yield from _wrapped(document["title"].upper(), columns)
    dated = f"issued {issue['date']}" if issue["date"] else ""
    yield from _wrapped(", ".join(filter(None, (issue["identification"], dated))), columns)
    for line in (laboratory["name"], *laboratory["address"], *replacement_words(document)):
        yield from _wrapped(line, columns)
    for page in document["pages"]:
        yield ""
        yield "=" * columns
        for mark in marks:
            yield from _wrapped(mark, columns)
        if page["title"]:
            yield from _wrapped(page["title"].upper(), columns)
        for section in page["sections"]:
            yield ""
            if section["title"]:
                yield from _wrapped(section["title"], columns)
                yield "-" * min(columns, len(section["title"]))
            for block in section["blocks"]:
                yield from _block(block, document["charts"], columns)
    yield ""
    yield "=" * columns
    yield document["end"]


def _block(block: Mapping[str, Any], charts: Mapping[str, Any], columns: int) -> Iterator[str]:
    kind = block["kind"]
    if kind == "text":
        caution = "Caution: " if block["tone"] == "warning" else ""
        yield from _wrapped(caution + block["text"], columns, hanging=INDENT * bool(caution))
    elif kind == "facts":
        yield from _facts(block["rows"], columns)
    elif kind == "table":
        yield from text_table(block["header"], block["rows"], columns)
    elif kind == "result":
        yield from _result(block, columns)
    elif kind == "figure":
        yield from _wrapped(
            f"[Chart: {charts[block['chart']]['alternative']}]", columns, hanging=" "
        )


def _facts(rows: Sequence[Sequence[str]], columns: int) -> Iterator[str]:
    """Yield pairs with their values below each other."""
    fitting = [len(label) for label, _ in rows if len(label) <= LABEL_CHARS]
    width = max(fitting, default=0) + 2
    for label, value in rows:
        if len(label) <= LABEL_CHARS:
            yield from _wrapped(label.ljust(width) + value, columns, hanging=" " * width)
        else:
            yield from _wrapped(label, columns)
            yield from _wrapped(" " * width + value, columns, hanging=" " * width)


def _result(block: Mapping[str, Any], columns: int) -> Iterator[str]:
    yield from _wrapped(f"{block['label']}:  {block['value']}", columns)
    for key in ("also", "verdict", "detail"):
        if block[key]:
            yield from _wrapped(INDENT + block[key], columns, hanging=INDENT)


def _wrapped(text: str, columns: int, hanging: str = "") -> list[str]:
    """Break text at blanks into lines; a longer word is cut."""
    return textwrap.wrap(text, columns, subsequent_indent=hanging, break_on_hyphens=False) or [""]
