"""The document itself as JSON."""

import json
import re
from collections.abc import Mapping
from typing import Any, Final

_NUMBER: Final = r"(?:-?\d[\d.eE+-]*|null)"
_NUMBERS: Final = re.compile(rf"\[\s+({_NUMBER}(?:,\s+{_NUMBER})*)\s+\]")
"""A list of numbers over several lines; text holds no line break, so it can't look like one."""


def json_form(document: Mapping[str, Any]) -> bytes:
    """Return a document as JSON in UTF-8, in its own order, a list of numbers on one line.

    The same document gives the same bytes. A lone surrogate is written as its escape.

    Raises:
        ValueError: a number is not finite.
    """
    text = json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False)
    text = _NUMBERS.sub(lambda found: "[" + re.sub(r"\s+", " ", found[1]) + "]", text)
    return f"{text}\n".encode("utf-8", "backslashreplace")
