"""The entry line, on which a person types readings, and the keys that are left to the views.

The characters of a number go to the line, so that digits choose no view while there is one; Tab
does. A blank goes there only within a number: on an empty line it is the key of the tool. Letters
stay keys of the views.
"""

import unicodedata
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Final

from benchwatch.screen.key_binding import Capability, KeyBinding
from benchwatch.screen.shared_keys import NEXT_VIEW_KEY

LONGEST_ENTRY: Final = 65
"""Characters; one more than the longest reading, so that a longer line is refused and not cut."""
MARKS: Final = frozenset("+-.,'\N{MINUS SIGN}\N{RIGHT SINGLE QUOTATION MARK}")
"""Characters of a number beside digits and blanks."""
NUMBER_KEYS: Final = frozenset({*"0123456789", "plus", "minus"})
"""Names of keys of the views whose characters go to the entry line."""


class EntryLine:
    """The line as far as it is typed.

    Attributes:
        text: What stands on it.
        refused: Whether that was refused as a reading; the next number then takes its place,
            unless Backspace is pressed first.
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
                if self.refused:
                    self.clear()
                self.text = (self.text + character).lstrip()[:LONGEST_ENTRY]
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
        plain = unicodedata.normalize("NFKC", character)
        if plain in MARKS or (plain.isascii() and plain.isdecimal()):
            return True
        return bool(self.text) and unicodedata.category(character) == "Zs"


def shown_keys(
    keys: Sequence[KeyBinding], available: Collection[Capability]
) -> Sequence[KeyBinding]:
    """Return the keys of a view that have an effect beside an entry line, if there is one."""
    if "typed" not in available:
        return keys
    return [
        replace(key, footer="view") if key.id == NEXT_VIEW_KEY.id else key
        for key in keys
        if NUMBER_KEYS.isdisjoint(key.keys)
    ]
