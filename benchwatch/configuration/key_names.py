"""The names of keys as people write them in the configuration file, such as ``k`` or ``Ctrl-P``."""

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final

from benchwatch.config_tables import WrongValue

NAMED_KEYS: Final[Mapping[str, str]] = {
    "Space": "space",
    "Tab": "tab",
    "Shift-Tab": "shift+tab",
    "Left": "left",
    "Right": "right",
    "Up": "up",
    "Down": "down",
    "Home": "home",
    "End": "end",
    "PgUp": "pageup",
    "PgDn": "pagedown",
    "Ins": "insert",
    "Del": "delete",
    **{f"F{number}": f"f{number}" for number in range(1, 13)},
    **{f"Ctrl-{letter}": f"ctrl+{letter.lower()}" for letter in "ABEFGKLNOPQRSTUVWXY"},
}
"""Label of each key that types no character, and its name in the terminal library. Left out are
those with a fixed meaning (Ctrl-C, Enter, Esc, Backspace), and the control characters that a
terminal sends for these, for Tab and for the end of the input (ECMA-48, 5.2)."""
_LIBRARY_NAMES: Final[Mapping[str, str]] = {
    "solidus": "slash",
    "reverse_solidus": "backslash",
    "commercial_at": "at",
    "hyphen_minus": "minus",
    "plus_sign": "plus",
    "low_line": "underscore",
}
"""Names of the terminal library that differ from those of Unicode."""
_BY_SPELLING: Final = {label.lower(): label for label in NAMED_KEYS}


@dataclass(frozen=True, slots=True)
class KeyName:
    """A key: its name in the terminal library, and its label for people."""

    name: str
    label: str


def read_key_name(text: str) -> KeyName:
    """Read the name of a key: one character, or a name such as ``Space``, ``F5`` or ``Ctrl-P``.

    Raises:
        WrongValue: it is no key that an action can have.
    """
    shown = text.strip() if len(text) > 1 else text
    if shown == " ":
        shown = "Space"
    if len(shown) == 1:
        return _of_character(shown)
    spelled = shown.lower().replace("+", "-")
    label = _BY_SPELLING.get(spelled)
    if label is None:
        near = get_close_matches(spelled, _BY_SPELLING, n=1, cutoff=0.5)
        hint = f" (did you mean {_BY_SPELLING[near[0]]}?)" if near else ""
        raise WrongValue(
            f"there is no key of that name that can be used{hint}",
            "Write one character, or Space, Tab, Left, Home, PgUp, F5, Ctrl-P and the like.",
        )
    return KeyName(NAMED_KEYS[label], label)


def _of_character(character: str) -> KeyName:
    if character.isdigit():
        raise WrongValue(
            "a digit shows a view or a counter and nothing else", "Choose another character."
        )
    if not (character.isascii() and character.isprintable()):
        raise WrongValue(
            "a character of plain ASCII is expected, which every keyboard has",
            "Choose another character.",
        )
    if character.isalnum():
        return KeyName(character, character)
    name = unicodedata.name(character).lower().replace("-", "_").replace(" ", "_")
    return KeyName(_LIBRARY_NAMES.get(name, name), character)
