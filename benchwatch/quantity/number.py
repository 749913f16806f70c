"""What all quantities have in common: grammar, SI prefixes, exact arithmetic, harmless text."""

import re
import unicodedata
from decimal import Context, Decimal
from typing import Final

LONGEST: Final = 64
"""Characters; nobody types, and no counter writes, a longer number."""
EXACT: Final = Context(prec=100)
NUMBER: Final = r"[+-]?(?:\d{1,3}(?: \d{3})+|\d+)(?:\.(?:\d{3}(?: \d{3})* \d{1,3}|\d+)?|)(?:[eE][+-]?\d{1,3})?|[+-]?\.\d+(?:[eE][+-]?\d{1,3})?"  # noqa: E501 - one grammar reads best on one line
QUANTITY: Final = re.compile(rf"({NUMBER})\s*(.*)", re.ASCII)
PREFIXES: Final = {
    "": 0, "n": -9, "u": -6, "\N{MICRO SIGN}": -6, "\N{GREEK SMALL LETTER MU}": -6,
    "m": -3, "k": 3, "K": 3, "M": 6, "G": 9,
}  # fmt: skip


def shifted(value: Decimal, exponent: int) -> Decimal:
    """Return `value` times ten to the `exponent`, exactly."""
    return value.scaleb(exponent, EXACT)


def printable(text: str, limit: int = 80) -> str:
    """Make text from an instrument or a file harmless: no control, format or escape characters."""
    shown = "".join("?" if unicodedata.category(c).startswith(("C", "Z")) and c != " " else c
                    for c in text[:limit])  # fmt: skip
    return shown if len(text) <= limit else shown + "..."
