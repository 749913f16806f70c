"""Powers of ten as print shows them, with raised digits of Unicode."""

import re
from typing import Final

PLAIN: Final = "-0123456789"
RAISED_DIGITS: Final = "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"
"""The minus sign and the digits, in the order of `PLAIN`."""
_POWER: Final = re.compile(r"(?<=[0-9])\^(-?[0-9]+)")
_RAISED: Final = str.maketrans(PLAIN, RAISED_DIGITS)
_LOWERED: Final = str.maketrans(RAISED_DIGITS, PLAIN)


def raised_powers(text: str) -> str:
    """Write each power of a number with raised digits: ``10^-8`` becomes ``10⁻⁸``."""
    return _POWER.sub(lambda found: found[1].translate(_RAISED), text)


def lowered(raised: str) -> str:
    """Return raised digits as plain ones: ``⁻⁸`` becomes ``-8``."""
    return raised.translate(_LOWERED)
