"""The entry line, on which a person types readings, and the keys that are left to the views.

A digit, a sign or a mark begins a line, so that digits choose no view while there is one; Tab does.
While the line holds any character, all that is printable goes onto it, so that a slip of a letter
for a digit is seen and refused, and does nothing else. On an empty line letters and blanks are keys
of the views.
"""

import string
import unicodedata
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Final

from benchwatch.configuration import read_key_name
from benchwatch.screen.key_binding import Capability, KeyBinding
from benchwatch.screen.shared_keys import (
    AS_FOUND_KEY,
    AS_LEFT_KEY,
    CLEAR_ENTRY_KEY,
    COMMAND_KEY,
    END_TYPING_KEY,
    NEXT_VIEW_KEY,
)

LONGEST_ENTRY: Final = 65
"""Characters; one more than the longest reading, so that a longer line is refused and not cut."""
MARKS: Final = frozenset("+-.,'\N{MINUS SIGN}\N{RIGHT SINGLE QUOTATION MARK}")
"""Characters of a number beside digits and blanks."""
NUMBER_KEYS: Final = frozenset({*"0123456789", "plus", "minus"})
"""Names of keys of the views whose characters begin an entry line."""
ESCAPE: Final = "escape"
"""The name of the key that clears the line, and on an empty line is a key of the views."""
ASKING_KEYS: Final = frozenset({AS_FOUND_KEY.id, AS_LEFT_KEY.id})
"""Ids of the keys that ask first on an empty line, where l may be a slip for 1."""
_PRINTABLE_NAMES: Final = frozenset(
    {"space", *(read_key_name(mark).name for mark in string.punctuation)}
)
"""Names, longer than a character, of keys of the views that type a character."""


class EntryLine:
    """The line as far as it is typed.

    Attributes:
        text: What stands on it.
        refused: Whether that was refused as a reading; a digit, sign or mark then begins a new
            line, unless Backspace is pressed first, and a blank or a letter is added, such as a
            unit.
    """

    def __init__(self) -> None:
        self.text = ""
        self.refused = False

    def take(self, name: str, character: str | None) -> bool:
        """Apply a key; return whether it belongs to the line.

        Args:
            name: of the key, as the terminal library calls it.
            character: the character that it types; None: none.
        """
        match name:
            case "backspace":
                self.text, self.refused = self.text[:-1], False
            case "escape" if self.text:
                self.clear()
            case _ if character is not None and self._belongs(character):
                if self.refused and _begins_number(character):
                    self.clear()
                self.text, self.refused = (self.text + character)[:LONGEST_ENTRY], False
            case _:
                return False
        return True

    def paste(self, text: str) -> bool:
        """Add the first line of `text`; return whether there were more."""
        first, *more = text.strip().splitlines() or [""]
        before = "" if self.refused else self.text
        self.text = (before + "".join(filter(str.isprintable, first)))[:LONGEST_ENTRY]
        self.refused = False
        return any(line.strip() for line in more)

    def clear(self) -> None:
        """Empty the line."""
        self.text, self.refused = "", False

    def _belongs(self, character: str) -> bool:
        if not self.text:
            return _begins_number(character)
        return character.isprintable() or unicodedata.category(character) == "Zs"


def _begins_number(character: str) -> bool:
    plain = unicodedata.normalize("NFKC", character)
    return plain in MARKS or (plain.isascii() and plain.isdecimal())


def shown_keys(
    keys: Sequence[KeyBinding], available: Collection[Capability], entry: str = ""
) -> Sequence[KeyBinding]:
    """Return the keys of a view that have an effect beside an entry line, if there is one.

    Args:
        keys: all keys of the view.
        available: capabilities of the bench.
        entry: what stands on the line.
    """
    if "typed" not in available:
        return keys
    if entry:
        return [_while_typing(key) for key in keys if not _belongs_to_line(key)]
    return [
        _beside_empty_line(key)
        for key in keys
        if (NUMBER_KEYS.isdisjoint(key.keys) or ESCAPE in key.keys) and key.id != CLEAR_ENTRY_KEY.id
    ]


def _belongs_to_line(key: KeyBinding) -> bool:
    """Return whether all names of a binding are of the line while something stands on it."""
    if ESCAPE in key.keys:
        return key.id != CLEAR_ENTRY_KEY.id
    return all(map(_is_printable, key.keys))


def _while_typing(key: KeyBinding) -> KeyBinding:
    """Return a binding without the keys that type a character."""
    key = replace(key, keys=tuple(name for name in key.keys if not _is_printable(name)))
    match key.id:
        case NEXT_VIEW_KEY.id:
            return replace(key, footer="view")
        case END_TYPING_KEY.id:
            return replace(key, footer="quit")
        case COMMAND_KEY.id:
            return replace(key, label="Ctrl-P")
    return key


def _beside_empty_line(key: KeyBinding) -> KeyBinding:
    """Return a binding as it is written beside an empty line."""
    if key.id == NEXT_VIEW_KEY.id:
        return replace(key, footer="view")
    if key.id in ASKING_KEYS:
        return replace(key, footer=f"{key.footer}?", help=f"{key.help} It asks first.")
    if ESCAPE in key.keys:
        return replace(key, keys=(ESCAPE,), label="Esc")
    return key


def _is_printable(name: str) -> bool:
    """Return whether the key that the terminal library calls `name` types a character."""
    return len(name) == 1 or name in _PRINTABLE_NAMES
