"""Text on a terminal or a pipe whose encoding lacks some characters, such as cp1252 or cp437.

Signs of the trade are spelled in ASCII; any other character becomes ``?``. Nothing is raised.
"""

import codecs
from typing import Final

ERRORS: Final = "benchwatch.spelled"
"""The name of the error handler, for the argument `errors` of a text stream."""

_SPELLED: Final = {
    "\N{MINUS SIGN}": "-",
    "\N{PLUS-MINUS SIGN}": "+/-",
    "\N{SQUARE ROOT}": "sqrt ",
    "\N{GREEK SMALL LETTER SIGMA}": "sigma",
    "\N{GREEK SMALL LETTER TAU}": "tau",
    "\N{GREEK SMALL LETTER NU}": "nu",
    "\N{GREEK CAPITAL LETTER DELTA}": "Delta ",
    "\N{MICRO SIGN}": "u",
    "\N{GREEK SMALL LETTER MU}": "u",
    "\N{GREEK CAPITAL LETTER OMEGA}": "Ohm",
    "\N{OHM SIGN}": "Ohm",
    "\N{DEGREE SIGN}": "deg ",
    "\N{MULTIPLICATION SIGN}": "x",
    "\N{MIDDLE DOT}": "*",
    "\N{DOT OPERATOR}": "*",
    "\N{ALMOST EQUAL TO}": "~",
    "\N{LESS-THAN OR EQUAL TO}": "<=",
    "\N{GREATER-THAN OR EQUAL TO}": ">=",
    "\N{NOT EQUAL TO}": "!=",
    "\N{INFINITY}": "infinity",
    "\N{RIGHTWARDS ARROW}": "->",
    "\N{LEFTWARDS ARROW}": "<-",
    "\N{EN DASH}": "-",
    "\N{EM DASH}": "-",
    "\N{HYPHEN}": "-",
    "\N{NON-BREAKING HYPHEN}": "-",
    "\N{LEFT SINGLE QUOTATION MARK}": "'",
    "\N{RIGHT SINGLE QUOTATION MARK}": "'",
    "\N{LEFT DOUBLE QUOTATION MARK}": '"',
    "\N{RIGHT DOUBLE QUOTATION MARK}": '"',
    "\N{SUPERSCRIPT MINUS}": "-",
    "\N{BOX DRAWINGS LIGHT HORIZONTAL}": "-",
    "\N{BOX DRAWINGS HEAVY HORIZONTAL}": "-",
    "\N{BOX DRAWINGS LIGHT VERTICAL}": "|",
    "\N{BOX DRAWINGS LIGHT VERTICAL AND HORIZONTAL}": "+",
    "\N{BOX DRAWINGS LIGHT VERTICAL AND LEFT}": "+",
    "\N{BOX DRAWINGS LIGHT VERTICAL AND RIGHT}": "+",
    "\N{BOX DRAWINGS LIGHT UP AND HORIZONTAL}": "+",
    "\N{BOX DRAWINGS LIGHT DOWN AND HORIZONTAL}": "+",
    "\N{FULL BLOCK}": "#",
    "\N{UPPER HALF BLOCK}": "#",
    "\N{LOWER HALF BLOCK}": "#",
}
"""ASCII spelling of signs. The first five as on a screen that is drawn in ASCII."""
_SUPERSCRIPTS: Final = frozenset("\N{SUPERSCRIPT MINUS}⁰¹²³⁴⁵⁶⁷⁸⁹")


def spelled(text: str) -> str:
    """Return text in ASCII: signs spelled, letters without their accents, the rest as ``?``.

    A superscript begins with ``^``: 10⁻⁹ becomes ``10^-9``.
    """
    parts, raised = [], False
    for character in text:
        begins = character in _SUPERSCRIPTS and not raised
        raised = character in _SUPERSCRIPTS
        parts.append(("^" if begins else "") + _spelled_character(character))
    return "".join(parts)


def _spelled_character(character: str) -> str:
    if character.isascii():
        return character
    if character in _SPELLED:
        return _SPELLED[character]
    import unicodedata  # noqa: PLC0415 - only for characters that are hardly ever written

    plain = unicodedata.normalize("NFKD", character)
    plain = "".join(c for c in plain if c.isascii() and (c.isprintable() or c == " "))
    return plain or "?"


def _spell(error: UnicodeError) -> tuple[str, int]:
    """Return the spelling of what can't be encoded, and where encoding goes on."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return spelled(error.object[error.start : error.end]), error.end


codecs.register_error(ERRORS, _spell)
