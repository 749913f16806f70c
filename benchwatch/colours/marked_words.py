"""Words of a line marked by colours that are read on every background.

A mark has a background of its own, from the 256 colours of terminals (the sequences of ISO 8613-6:
SGR 38;5 and 48;5), because nobody knows that of the terminal.
"""

from typing import Final

BLACK, BLUE, ORANGE = 16, 75, 215
"""Numbers of the colours: #000000, #5fafff and #ffaf5f of the colour cube that begins at 16."""
_END: Final = "\x1b[0m"


def marked_good(text: str) -> str:
    """Return text marked as on target."""
    return _marked(text, BLUE)


def marked_off(text: str) -> str:
    """Return text marked as off target, or as a caution."""
    return _marked(text, ORANGE)


def _marked(text: str, background: int) -> str:
    return f"\x1b[1;38;5;{BLACK};48;5;{background}m{text}{_END}"
