"""The theme: styles and characters of drawings, for this terminal."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Final

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style

from benchwatch.colours import DARK_THEME, TERMINAL_THEME, Ink, Palette, ThemeWord, palette_of
from benchwatch.screen.drawing.styled_text import Role, StyledLine, safe

_INKS: Final[dict[Role, Callable[[Palette], Ink]]] = {
    Role.TEXT: lambda palette: palette.text,
    Role.DIM: lambda palette: palette.dim,
    Role.STRONG: lambda palette: palette.strong,
    Role.GOOD: lambda palette: palette.good,
    Role.OFF: lambda palette: palette.off,
    Role.BAND: lambda palette: palette.band,
    Role.RAW: lambda palette: palette.raw,
    Role.ESTIMATE: lambda palette: palette.strong,
    Role.AXIS: lambda palette: palette.axis,
    Role.KEY: lambda palette: palette.strong,
    Role.GOOD_LAMP: lambda palette: palette.good_lamp,
    Role.OFF_LAMP: lambda palette: palette.off_lamp,
    Role.PLAIN_LAMP: lambda palette: palette.plain_lamp,
    Role.TYPED: lambda palette: palette.typed,
}

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


@cache
def _style(theme: ThemeWord, role: Role) -> Style:
    """Return the style of a role in a theme."""
    palette = palette_of(theme)
    if palette is None:
        return _SHADES[role]
    ink = _INKS[role](palette)
    bold = True if ink.bold else None
    return Style(color=ink.colour, bgcolor=ink.background or palette.background, bold=bold)


@dataclass(frozen=True, slots=True)
class Theme:
    """Characters and styles of a terminal."""

    ascii: bool = False
    word: ThemeWord = DARK_THEME
    """Name of the theme, which chooses the colours."""

    @property
    def colour(self) -> bool:
        """Whether it draws in its own colours, not in those of the terminal."""
        return self.word != TERMINAL_THEME

    @property
    def glyphs(self) -> Glyphs:
        """The characters to draw with."""
        return ASCII if self.ascii else UNICODE

    def style(self, role: Role) -> Style:
        """Return the style of a role."""
        return _style(self.word, role)

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
