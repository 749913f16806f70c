"""The grammar of the numbers in all quantities, and exact arithmetic."""

import re
from decimal import Context, Decimal
from typing import Final

LONGEST: Final = 64
"""Characters; nobody types, and no counter writes, a longer number."""
EXACT: Final = Context(prec=100)
"""Arithmetic with enough digits to be exact for typed numbers and those of a file."""
NUMBER: Final = r"[+-]?(?:\d{1,3}(?: \d{3})+|\d+)(?:\.(?:\d{3}(?: \d{3})* \d{1,3}|\d+)?|)(?:[eE][+-]?\d{1,3})?|[+-]?\.\d+(?:[eE][+-]?\d{1,3})?"  # noqa: E501 - one grammar reads best on one line
QUANTITY: Final = re.compile(rf"({NUMBER})\s*(.*)", re.ASCII)


def shifted(value: Decimal, exponent: int) -> Decimal:
    """Return `value` times ten to the `exponent`, exactly."""
    return value.scaleb(exponent, EXACT)
