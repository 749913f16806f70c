"""The colours of the dark and of the light theme.

Blue: on target, orange: off target; red-green blind eyes can tell these two apart. Every pair of
ink and background has a contrast of at least 4.5 to 1 (WCAG 2.1, success criterion 1.4.3).
"""

from dataclasses import dataclass
from typing import Final

from benchwatch.colours.theme_words import ThemeWord


@dataclass(frozen=True, slots=True)
class Ink:
    """Colours of some text, as hexadecimal text such as ``#0b1016``."""

    colour: str
    background: str = ""
    """Background; empty: that of the palette."""
    bold: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """The colours of a theme, by what the text means."""

    background: str
    text: Ink
    dim: Ink
    strong: Ink
    good: Ink
    off: Ink
    band: Ink
    raw: Ink
    axis: Ink
    good_lamp: Ink
    off_lamp: Ink
    plain_lamp: Ink
    typed: Ink


DARK: Final = Palette(
    background="#0b1016",
    text=Ink("#d5dce4"),
    dim=Ink("#7f8b98"),
    strong=Ink("#ffffff", bold=True),
    good=Ink("#6cb8ff", bold=True),
    off=Ink("#f0a030", bold=True),
    band=Ink("#6cb8ff"),
    raw=Ink("#b9c4cf"),
    axis=Ink("#8f9ba8"),
    good_lamp=Ink("#0b1016", "#6cb8ff", bold=True),
    off_lamp=Ink("#0b1016", "#f0a030", bold=True),
    plain_lamp=Ink("#0b1016", "#9aa6b2", bold=True),
    typed=Ink("#ffffff", "#1b2530"),
)
LIGHT: Final = Palette(
    background="#f7f8f6",
    text=Ink("#1f262e"),
    dim=Ink("#59636d"),
    strong=Ink("#000000", bold=True),
    good=Ink("#0a53a0", bold=True),
    off=Ink("#8f4300", bold=True),
    band=Ink("#0a53a0"),
    raw=Ink("#434e59"),
    axis=Ink("#59636d"),
    good_lamp=Ink("#ffffff", "#0a53a0", bold=True),
    off_lamp=Ink("#ffffff", "#8f4300", bold=True),
    plain_lamp=Ink("#ffffff", "#55606b", bold=True),
    typed=Ink("#000000", "#dfe5eb"),
)
_PALETTES: Final[dict[ThemeWord, Palette]] = {"dark": DARK, "light": LIGHT}


def palette_of(theme: ThemeWord) -> Palette | None:
    """Return the palette of a theme; None where the terminal's own colours are kept."""
    return _PALETTES.get(theme)
