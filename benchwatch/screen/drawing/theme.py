"""The theme: colours and characters of drawings, for this terminal."""

from dataclasses import dataclass

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style

from benchwatch.screen.drawing.styled_text import Role, StyledLine, safe

_COLOURS = {
    Role.TEXT: Style(color="#d5dce4"),
    Role.DIM: Style(color="#7f8b98"),
    Role.STRONG: Style(color="#ffffff", bold=True),
    Role.GOOD: Style(color="#6cb8ff", bold=True),
    Role.OFF: Style(color="#f0a030", bold=True),
    Role.BAND: Style(color="#6cb8ff"),
    Role.RAW: Style(color="#b9c4cf"),
    Role.ESTIMATE: Style(color="#ffffff", bold=True),
    Role.AXIS: Style(color="#8f9ba8"),
    Role.KEY: Style(color="#ffffff", bold=True),
    Role.GOOD_LAMP: Style(color="#0b1016", bgcolor="#6cb8ff", bold=True),
    Role.OFF_LAMP: Style(color="#0b1016", bgcolor="#f0a030", bold=True),
    Role.PLAIN_LAMP: Style(color="#0b1016", bgcolor="#9aa6b2", bold=True),
    Role.TYPED: Style(color="#ffffff", bgcolor="#1b2530"),
}
"""Blue: on target, orange: off target; red-green blind eyes can tell these two apart."""

_SHADES = {
    Role.TEXT: Style(),
    Role.DIM: Style(dim=True),
    Role.STRONG: Style(bold=True),
    Role.GOOD: Style(bold=True),
    Role.OFF: Style(bold=True, underline=True),
    Role.BAND: Style(),
    Role.RAW: Style(),
    Role.ESTIMATE: Style(bold=True),
    Role.AXIS: Style(dim=True),
    Role.KEY: Style(bold=True),
    Role.GOOD_LAMP: Style(bold=True, reverse=True),
    Role.OFF_LAMP: Style(bold=True, reverse=True),
    Role.PLAIN_LAMP: Style(reverse=True),
    Role.TYPED: Style(underline=True),
}
"""Styles without colours."""

BACKGROUND = "#0b1016"


@dataclass(frozen=True, slots=True, kw_only=True)
class Glyphs:
    """The characters that drawings are made of."""

    full: str
    upper: str
    lower: str
    rule: str
    band: str
    tick: str
    zero: str
    left_end: str
    right_end: str
    whisker: str
    plus_minus: str
    rail: str
    empty: str
    cut: str
    """Shows that the end of a text was cut."""


UNICODE = Glyphs(
    full="█",
    upper="▀",
    lower="▄",
    rule="─",
    band="━",
    tick="┴",
    zero="┼",
    left_end="├",
    right_end="┤",
    whisker="─",
    plus_minus="±",
    rail="│",
    empty=".",
    cut="…",
)
ASCII = Glyphs(
    full="#",
    upper="'",
    lower=".",
    rule="-",
    band="=",
    tick="+",
    zero="|",
    left_end="|",
    right_end="|",
    whisker="-",
    plus_minus="+/-",
    rail="|",
    empty=".",
    cut="...",
)

_SPELLED = {"±": "+/-", "√": "sqrt ", "σ": "sigma", "τ": "tau", "×": "x", "…": "..."}
"""ASCII spelling of the signs in our own sentences."""


@dataclass(frozen=True, slots=True)
class Theme:
    """Characters and styles of a terminal."""

    ascii: bool = False
    colour: bool = True

    @property
    def glyphs(self) -> Glyphs:
        """The characters to draw with."""
        return ASCII if self.ascii else UNICODE

    def style(self, role: Role) -> Style:
        """Return the style of a role."""
        if not self.colour:
            return _SHADES[role]
        return Style(bgcolor=BACKGROUND) + _COLOURS[role]

    def segments(self, row: StyledLine) -> list[Segment]:
        """Return a line as segments of the terminal library."""
        return [Segment(self.text(text), self.style(role)) for text, role in row.spans]

    def printable(self, text: str, limit: int = 200) -> str:
        """Return a sentence as printable text; on an ASCII terminal its signs are spelled out."""
        shown = safe(text, limit)
        return "".join(_SPELLED.get(c, c) for c in shown) if self.ascii else shown

    def text(self, text: str) -> str:
        """Return `text` at the same width, with ``?`` for characters that the terminal lacks."""
        if not self.ascii or text.isascii():
            return text
        return "".join(c if c.isascii() else "?" * cell_len(c) for c in text)
