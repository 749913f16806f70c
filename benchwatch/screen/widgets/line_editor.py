"""Edits one line of text by keys, and draws it with its cursor."""

from typing import TYPE_CHECKING, Final

from benchwatch.screen.drawing.styled_text import Role, StyledLine, line, safe

if TYPE_CHECKING:
    from collections.abc import Callable

CURSOR_CELLS: Final = 2
"""Cells kept free for the cursor, which may stand on a character of double width."""


class LineEditor:
    """The text and the cursor of a line that is being typed.

    Args:
        longest: most characters of the line; those typed beyond are dropped.
    """

    def __init__(self, longest: int) -> None:
        self._longest = longest
        self._text = ""
        self._cursor = 0
        self._actions: dict[str, Callable[[], None]] = {
            "left": lambda: self._move(self._cursor - 1),
            "right": lambda: self._move(self._cursor + 1),
            "home": lambda: self._move(0),
            "ctrl+a": lambda: self._move(0),
            "end": lambda: self._move(len(self._text)),
            "ctrl+e": lambda: self._move(len(self._text)),
            "backspace": lambda: self._delete(self._cursor - 1, self._cursor),
            "delete": lambda: self._delete(self._cursor, self._cursor + 1),
            "ctrl+u": lambda: self._delete(0, self._cursor),
            "ctrl+k": lambda: self._delete(self._cursor, len(self._text)),
            "ctrl+w": lambda: self._delete(self._begin_of_word(), self._cursor),
        }

    @property
    def text(self) -> str:
        """The text of the line; setting it puts the cursor at its end."""
        return self._text

    @text.setter
    def text(self, text: str) -> None:
        self._text = text[: self._longest]
        self._cursor = len(self._text)

    def take(self, key: str, character: str | None) -> None:
        """Apply a key to the line; a key without an effect here is ignored.

        Args:
            key: its name, as the terminal library calls it.
            character: the character that it types; None: none.
        """
        if key in self._actions:
            self._actions[key]()
        elif character is not None:
            self.insert(character)

    def insert(self, text: str) -> None:
        """Insert the first line of `text` at the cursor, without unprintable characters."""
        typed = "".join(c for c in (text.splitlines() or [""])[0] if c.isprintable())
        typed = typed[: self._longest - len(self._text)]
        self._text = self._text[: self._cursor] + typed + self._text[self._cursor :]
        self._cursor += len(typed)

    def drawn(self, width: int) -> StyledLine:
        """Draw the part of the line around the cursor in `width` cells."""
        before, rest = (_shown(text) for text in (self._text[: self._cursor], self._text_after()))
        under = _shown(self._text[self._cursor : self._cursor + 1]) or " "
        while before and line(before).width > max(width - CURSOR_CELLS, 0):
            before = before[1:]
        row = line((before, Role.TYPED), (under, Role.PLAIN_LAMP), (rest, Role.TYPED))
        return (row + line((" " * max(width - row.width, 0), Role.TYPED))).fit(width)

    def _text_after(self) -> str:
        return self._text[self._cursor + 1 :]

    def _move(self, to: int) -> None:
        self._cursor = min(max(to, 0), len(self._text))

    def _delete(self, begin: int, end: int) -> None:
        begin = max(begin, 0)
        self._text = self._text[:begin] + self._text[end:]
        self._cursor = min(begin, len(self._text))

    def _begin_of_word(self) -> int:
        return self._text[: self._cursor].rstrip().rfind(" ") + 1


def _shown(text: str) -> str:
    return safe(text, len(text)) if text else ""
