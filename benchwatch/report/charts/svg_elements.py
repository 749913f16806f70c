"""Elements of SVG that all modules draw with: lines, and text that is escaped and fits."""

import unicodedata
from typing import Final
from xml.sax.saxutils import escape, quoteattr

from benchwatch.quantity.superscripts import raised_powers

FONT_MM: Final = 2.65
"""Size of all text but titles: 7.5 points."""
TITLE_MM: Final = 2.9
BOLD: Final = 1.12
"""How much wider bold text is."""
CUT_SIGN: Final = "…"
WIDTHS: Final = (
    ("ijl|'", 0.3), (" .,:;!/()[]It`f-", 0.4), ('rs"', 0.55), ("mMW%@", 1.0), ("w+=<>±~×−", 0.85),
)  # fmt: skip
"""Widths of characters in font sizes, a little more than those of a wide sans-serif font."""
USUAL_WIDTH: Final = 0.65
CAPITAL_WIDTH: Final = 0.78
WIDE: Final = 1.05
"""Of ideographs and other wide characters."""
_WIDTH_OF: Final = {character: width for some, width in WIDTHS for character in some}


def width_of(text: str, size_mm: float = FONT_MM) -> float:
    """Return the width of text, in mm, in any usual sans-serif font at most."""
    return size_mm * sum(map(_character_width, text))


def shortened(text: str, room_mm: float, size_mm: float = FONT_MM) -> str:
    """Return text that fits into `room_mm`; what is cut off is marked. Empty without room."""
    if width_of(text, size_mm) <= room_mm:
        return text
    left = room_mm - width_of(CUT_SIGN, size_mm)
    kept = ""
    for character in text:
        left -= _character_width(character) * size_mm
        if left < 0:
            break
        kept += character
    return f"{kept.rstrip()}{CUT_SIGN}" if kept.strip() else ""


def clean(text: str) -> str:
    """Return text without what XML 1.0 refuses or what a reader can't see: each becomes ``?``."""
    return "".join(
        "?" if unicodedata.category(one)[0] == "C" or one in "\u2028\u2029\ufffe\uffff" else one
        for one in text
    )


def text_element(
    x: float,
    y: float,
    text: str,
    *,
    anchor: str = "start",
    size_mm: float = FONT_MM,
    bold: bool = False,
    grey: bool = False,
    turned: bool = False,
) -> str:
    """Return a line of text with its baseline at `y`, mm, its powers raised.

    `turned`: it reads upwards.
    """
    more = ' font-weight="bold"' if bold else ""
    more += ' fill="#555"' if grey else ""
    more += f' font-size="{size_mm:g}"' if size_mm != FONT_MM else ""
    more += f' text-anchor="{anchor}"' if anchor != "start" else ""
    more += f' transform="rotate(-90 {mm(x)} {mm(y)})"' if turned else ""
    return f'<text x="{mm(x)}" y="{mm(y)}"{more}>{escaped(raised_powers(text))}</text>'


def stroke(
    begin: tuple[float, float],
    end: tuple[float, float],
    colour: str,
    *,
    width_mm: float = 0.25,
    dash: str = "",
) -> str:
    """Return a straight line between two points, mm; `dash`: lengths of its strokes and gaps."""
    more = f' stroke-dasharray="{dash}"' if dash else ""
    path = f"M{mm(begin[0])} {mm(begin[1])}L{mm(end[0])} {mm(end[1])}"
    return f'<path d="{path}" stroke="{colour}" stroke-width="{width_mm:g}"{more}/>'


def escaped(text: str) -> str:
    """Return text for the content of an element."""
    return escape(clean(text))


def attribute(text: str) -> str:
    """Return text as the quoted value of an attribute."""
    return quoteattr(clean(text))


def mm(value: float) -> str:
    """Write a coordinate in mm to a hundredth."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _character_width(character: str) -> float:
    known = _WIDTH_OF.get(character)
    if known is not None:
        return known
    if unicodedata.east_asian_width(character) in {"W", "F"}:
        return WIDE
    if unicodedata.combining(character):
        return 0.0
    return CAPITAL_WIDTH if character.isupper() else USUAL_WIDTH
