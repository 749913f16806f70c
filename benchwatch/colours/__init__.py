"""Colours: the themes by name, the colours of each, and whether colours are wanted at all.

In: a word that a person types, and environment variables. Out: colours as hexadecimal text, without
a terminal library, so that the screen, the page, lines and pictures take them from one place.
"""

from benchwatch.colours.colour_choice import (
    colours_forced,
    colours_refused,
    lines_in_colour,
    no_color_set,
)
from benchwatch.colours.marked_words import marked_good, marked_off
from benchwatch.colours.palettes import DARK, LIGHT, Ink, Palette, palette_of
from benchwatch.colours.theme_words import (
    DARK_THEME,
    TERMINAL_THEME,
    THEMES,
    ThemeWord,
    theme_word,
)

__all__ = [
    "DARK",
    "DARK_THEME",
    "LIGHT",
    "TERMINAL_THEME",
    "THEMES",
    "Ink",
    "Palette",
    "ThemeWord",
    "colours_forced",
    "colours_refused",
    "lines_in_colour",
    "marked_good",
    "marked_off",
    "no_color_set",
    "palette_of",
    "theme_word",
]
