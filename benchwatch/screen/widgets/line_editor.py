"""One line of text that is being typed: what each key does to it, and how it is drawn."""

from typing import TYPE_CHECKING, Final

from benchwatch.screen.drawing.styled_text import Role, StyledLine, line, safe

if TYPE_CHECKING:
    from collections.abc import Callable

CURSOR_CELLS: Final = 2
"""Cells kept free for the cursor, which may stand on a character of double width."""


class LineEditor:
    """Text and cursor; every key takes effect before the next one is looked at.

    Args:
        longest: characters the line may have; what is typed beyond is dropped.
    """

    def __init__(self, longest: int) -> None:
        self._longest = longest
        self._text = ""
        self._cursor = 0
        self._acts: dict[str, Callable[[], None]] = {
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
        """What has been typed; setting it puts the cursor at its end."""
        return self._text

    @text.setter
    def text(self, text: str) -> None:
        self._text = text[: self._longest]
        self._cursor = len(self._text)

    def take(self, key: str, character: str | None) -> None:
        """Apply a key to the line; a key without an effect here is ignored.

        Args:
            key: its name, as the terminal library calls it.
            character: what it writes, if anything.
        """
        if key in self._acts:
            self._acts[key]()
        elif character is not None:
            self.insert(character)

    def insert(self, text: str) -> None:
        """Write the first line of `text` at the cursor, without what can't be printed."""
        typed = "".join(c for c in (text.splitlines() or [""])[0] if c.isprintable())
        typed = typed[: self._longest - len(self._text)]
        self._text = self._text[: self._cursor] + typed + self._text[self._cursor :]
        self._cursor += len(typed)

    def drawn(self, width: int) -> StyledLine:
        """Draw the part around the cursor in `width` cells."""
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
