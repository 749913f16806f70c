"""Powers of ten as print shows them, with raised digits of Unicode."""

import re
from typing import Final

RAISED: Final = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_POWER: Final = re.compile(r"(?<=\d)\^(-?\d+)")


def raised_powers(text: str) -> str:
    """Write each power after a number with raised digits: ``10^-8`` becomes ``10⁻⁸``."""
    return _POWER.sub(lambda found: found[1].translate(RAISED), text)
