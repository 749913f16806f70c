"""The themes by name, as they are typed and configured."""

from collections.abc import Mapping
from typing import Final, Literal, get_args

from benchwatch.colours.colour_choice import colours_forced, colours_refused

ThemeWord = Literal["dark", "light", "terminal"]
"""Name of a theme: light text on a dark background, dark text on a light one, or none of our
colours but bold, underlined and reversed text in those of the terminal."""

THEMES: Final[tuple[ThemeWord, ...]] = get_args(ThemeWord)
"""The names, the usual one first."""
DARK_THEME: Final = "dark"
TERMINAL_THEME: Final = "terminal"


def theme_word(asked: ThemeWord | None, environ: Mapping[str, str]) -> ThemeWord:
    """Choose the theme.

    A theme that is asked for is taken. Else ``FORCE_COLOR`` goes before ``NO_COLOR``, as in the
    example of https://force-color.org, and both before TERM=dumb.

    Args:
        asked: the theme that was typed or configured; None: none was. What a person configures goes
            before ``NO_COLOR``, as https://no-color.org asks.
        environ: environment variables.
    """
    if asked is not None:
        return asked
    if colours_forced(environ):
        return DARK_THEME
    if colours_refused(environ) or environ.get("TERM") == "dumb":
        return TERMINAL_THEME
    return DARK_THEME
