"""Text of a document without characters that control a reader's program."""

import re
import unicodedata
from collections.abc import Mapping
from typing import Any, Final

from benchwatch.report.texts_within import with_texts

REPLACEMENT: Final = "?"
"""Stands for a character that is left out, as in `benchwatch.quantity.printable`."""

_LEFT_OUT: Final = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
"""Unicode categories: control, format, surrogate, private, unassigned, line and paragraph."""
_KEPT: Final = "\n\u200c\u200d"
"""A line end, and two joiners that the spelling of some languages needs."""
_RIGHT_TO_LEFT: Final = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc"
_RUN: Final = re.compile(f"[{_RIGHT_TO_LEFT}](?:[^A-Za-z]*[{_RIGHT_TO_LEFT}])?")


def harmless(text: str) -> str:
    """Replace control and format characters; line ends and joiners stay."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(
        REPLACEMENT if unicodedata.category(c) in _LEFT_OUT and c not in _KEPT else c for c in text
    )


def harmless_document(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return a copy of a document for JSON in which every text is harmless.

    Line ends stay: figures of charts have some, and no form takes them for more than a blank.
    """
    return {key: with_texts(value, harmless) for key, value in document.items()}


def split_right_to_left(text: str) -> list[tuple[bool, str]]:
    """Split text into runs that are read from right to left (True), and the rest.

    A run begins and ends with a letter of such a script. Isolated from the text around it, it
    leaves numbers and units beside it in their order (Unicode Standard Annex 9, clause 2.4).
    """
    parts: list[tuple[bool, str]] = []
    end = 0
    for run in _RUN.finditer(text):
        if run.start() > end:
            parts.append((False, text[end : run.start()]))
        parts.append((True, run.group()))
        end = run.end()
    if end < len(text):
        parts.append((False, text[end:]))
    return parts
