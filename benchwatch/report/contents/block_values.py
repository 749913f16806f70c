"""Blocks of a report as values for JSON, with all text made harmless."""

from typing import Any, Final

from benchwatch.quantity import printable
from benchwatch.report.blocks import PHRASE_SEPARATOR, Phrases, Sentence, Table
from benchwatch.report.contents.report_blocks import Facts, Figure, ReportPart, Result
from benchwatch.report.texts_within import with_texts

LONGEST_TEXT: Final = 2500
"""Characters of one text; the rest is cut off."""


def block_values(block: ReportPart) -> dict[str, Any]:
    """Return a block as values for JSON; ``kind`` says which one it is."""
    match block:
        case Sentence():
            return {"kind": "text", "text": block.text, "tone": block.tone}
        case Phrases():
            pieces = ("".join(span.text for span in one) for one in block.phrases)
            return {"kind": "text", "text": PHRASE_SEPARATOR.join(pieces), "tone": "text"}
        case Table():
            return {
                "kind": "table",
                "header": list(block.header),
                "rows": [list(row) for row in block.rows],
            }
        case Facts():
            return {"kind": "facts", "rows": [list(row) for row in block.rows]}
        case Result():
            return {
                "kind": "result",
                "label": block.label,
                "value": block.value,
                "also": block.also,
                "verdict": block.verdict,
                "detail": block.detail,
            }
        case Figure():
            return {"kind": "figure", "chart": block.chart}


def harmless(value: Any, *, lines: bool = False) -> Any:
    """Return values for JSON with every text made harmless by `printable`.

    Args:
        value: texts, lists, objects, numbers, true, false, null.
        lines: whether a text may be of several lines, such as a figure at an axis of a chart.
    """

    def change(text: str) -> str:
        parts = text.split("\n") if lines else [text]
        return "\n".join(printable(one, LONGEST_TEXT) for one in parts)

    return with_texts(value, change)
