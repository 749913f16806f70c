"""Lines of text whose spans have roles.

A drawing is a list of `StyledLine`: spans of plain characters, each with its meaning as a `Role`.
Colours are chosen in `theme`, so a drawing can be tested as plain text, and the same drawing serves
colour, ``NO_COLOR`` and ASCII terminals. Markup is never interpreted.
"""

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum, auto

from rich.cells import cell_len, set_cell_size

from benchwatch.quantity import printable


class Role(Enum):
    """The meaning of a span of characters."""

    TEXT = auto()
    DIM = auto()
    STRONG = auto()
    GOOD = auto()
    OFF = auto()
    """A deviation from what should be: off target, a caution, a lost link."""
    BAND = auto()
    RAW = auto()
    ESTIMATE = auto()
    AXIS = auto()
    KEY = auto()
    GOOD_LAMP = auto()
    OFF_LAMP = auto()
    PLAIN_LAMP = auto()
    TYPED = auto()
    """Text that is being typed."""


Part = str | tuple[str, Role]


@dataclass(frozen=True, slots=True)
class StyledLine:
    """One row of the screen."""

    spans: tuple[tuple[str, Role], ...] = ()

    @property
    def plain(self) -> str:
        """The characters without their roles."""
        return "".join(text for text, _ in self.spans)

    @property
    def width(self) -> int:
        """Width in cells."""
        return cell_len(self.plain)

    def __add__(self, other: "StyledLine") -> "StyledLine":
        """Append `other`."""
        return StyledLine(self.spans + other.spans)

    def fit(self, width: int, sign: str = "") -> "StyledLine":
        """Return the line cut or padded to exactly `width` cells; a cut line ends in `sign`."""
        if sign and cell_len(self.plain.rstrip()) > width > len(sign):
            start = self.fit(width - len(sign)).spans
            return StyledLine((*start, (sign, start[-1][1])))
        kept: list[tuple[str, Role]] = []
        room = max(width, 0)
        for text, role in self.spans:
            size = cell_len(text)
            if size > room:
                kept.append((set_cell_size(text, room), role))
                room = 0
                break
            kept.append((text, role))
            room -= size
        if room:
            kept.append((" " * room, Role.TEXT))
        return StyledLine(tuple(kept))

    def centred(self, width: int) -> "StyledLine":
        """Return the line centred in `width` cells."""
        return (line(" " * max((width - self.width) // 2, 0)) + self).fit(width)

    def in_role(self, role: Role) -> "StyledLine":
        """Return the same characters in one role."""
        return StyledLine(((self.plain, role),))


def line(*parts: Part) -> StyledLine:
    """Build a line from strings and (string, role) pairs."""
    return StyledLine(tuple((part, Role.TEXT) if isinstance(part, str) else part for part in parts))


def at_both_ends(left: StyledLine, right: StyledLine, width: int, sign: str = "") -> StyledLine:
    """Put `left` and `right` at the ends of a line; too long a `left` is cut, with `sign`."""
    room = width - right.width
    if room < 0:
        return right.fit(width, sign)
    return left.fit(room, sign) + right


def beside(columns: Sequence[Sequence[StyledLine]], widths: Sequence[int]) -> list[StyledLine]:
    """Put columns of lines side by side, each in its own width."""
    rows = max((len(column) for column in columns), default=0)
    drawn = []
    for row in range(rows):
        cells = StyledLine()
        for column, width in zip(columns, widths, strict=True):
            cells += (column[row] if row < len(column) else StyledLine()).fit(width)
        drawn.append(cells)
    return drawn


def fitting(width: int, *choices: StyledLine) -> StyledLine:
    """Return the first of `choices`, longest first, that fits; the last when none does."""
    return next((choice for choice in choices if choice.width <= width), choices[-1])


def faded(lines: Iterable[StyledLine]) -> list[StyledLine]:
    """Return the same lines, all dim, to show that they are no longer current."""
    return [row.in_role(Role.DIM) for row in lines]


def wrapped(words: Iterable[StyledLine], width: int, gap: int = 2) -> list[StyledLine]:
    """Flow `words` into rows of at most `width` cells, `gap` blanks apart."""
    rows: list[StyledLine] = []
    for word in words:
        if rows and rows[-1].width + gap + word.width <= width:
            rows[-1] += line(" " * gap) + word
        else:
            rows.append(word)
    return rows


def wrapped_text(text: str, width: int, role: Role = Role.TEXT) -> list[StyledLine]:
    """Flow running text into rows of at most `width` cells; an empty text gives an empty row."""
    most = max(width, 1)  # characters; a longer word, such as a path, goes on in the next line
    parts = (word[at : at + most] for word in text.split() for at in range(0, len(word), most))
    return wrapped([line((part, role)) for part in parts], width, 1) or [StyledLine()]


def safe(text: str, limit: int = 200) -> str:
    """Return text from outside, cut to `limit`, with ``?`` for invisible and combining signs."""
    shown = printable(text, limit)
    return "".join("?" if unicodedata.category(c).startswith("M") else c for c in shown)
