"""Lines of text with a meaning for every stretch, and what each meaning looks like.

Renderables produce `Line` objects: stretches of plain characters, each with an `Ink` that
says what it means. Only `Look` knows colours, so a drawing can be tested as plain text and
the same drawing serves colour, ``NO_COLOR`` and ASCII terminals. No markup is ever read.
"""

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum, auto

from rich.cells import cell_len, set_cell_size
from rich.segment import Segment
from rich.style import Style

from benchwatch.quantity import printable


class Ink(Enum):
    """What a stretch of characters means."""

    TEXT = auto()
    DIM = auto()
    STRONG = auto()
    GOOD = auto()
    OFF = auto()
    """Not where it should be: off target, a caution, a lost link."""
    BAND = auto()
    RAW = auto()
    ESTIMATE = auto()
    AXIS = auto()
    KEY = auto()
    GOOD_LAMP = auto()
    OFF_LAMP = auto()
    PLAIN_LAMP = auto()
    TYPED = auto()
    """On the line that is being typed."""


Part = str | tuple[str, Ink]


@dataclass(frozen=True, slots=True)
class Line:
    """One row of the screen."""

    spans: tuple[tuple[str, Ink], ...] = ()

    @property
    def plain(self) -> str:
        """The characters alone."""
        return "".join(text for text, _ in self.spans)

    @property
    def width(self) -> int:
        """Cells it takes."""
        return cell_len(self.plain)

    def __add__(self, other: "Line") -> "Line":
        """Put `other` to the right."""
        return Line(self.spans + other.spans)

    def fit(self, width: int, sign: str = "") -> "Line":
        """Cut or pad to exactly `width` cells; `sign` stands at the end of what was cut."""
        if sign and cell_len(self.plain.rstrip()) > width > len(sign):
            begun = self.fit(width - len(sign)).spans
            return Line((*begun, (sign, begun[-1][1])))
        kept: list[tuple[str, Ink]] = []
        room = max(width, 0)
        for text, ink in self.spans:
            size = cell_len(text)
            if size > room:
                kept.append((set_cell_size(text, room), ink))
                room = 0
                break
            kept.append((text, ink))
            room -= size
        if room:
            kept.append((" " * room, Ink.TEXT))
        return Line(tuple(kept))

    def centred(self, width: int) -> "Line":
        """Pad on both sides to `width` cells."""
        return (line(" " * max((width - self.width) // 2, 0)) + self).fit(width)

    def in_ink(self, ink: Ink) -> "Line":
        """Return the same characters in one ink."""
        return Line(((self.plain, ink),))


def line(*parts: Part) -> Line:
    """Build a line from strings and (string, ink) pairs."""
    return Line(tuple((part, Ink.TEXT) if isinstance(part, str) else part for part in parts))


def spread(left: Line, right: Line, width: int, sign: str = "") -> Line:
    """Put `left` and `right` at the two edges; the left one is cut, with `sign`, when they meet."""
    room = width - right.width
    if room < 0:
        return right.fit(width, sign)
    return left.fit(room, sign) + right


def beside(columns: Sequence[Sequence[Line]], widths: Sequence[int]) -> list[Line]:
    """Put blocks of lines side by side, each in its own width."""
    rows = max((len(column) for column in columns), default=0)
    drawn = []
    for row in range(rows):
        cells = Line()
        for column, width in zip(columns, widths, strict=True):
            cells += (column[row] if row < len(column) else Line()).fit(width)
        drawn.append(cells)
    return drawn


def fitting(width: int, *choices: Line) -> Line:
    """Return the first of `choices`, longest first, that fits; the last when none does."""
    return next((choice for choice in choices if choice.width <= width), choices[-1])


def faded(lines: Iterable[Line]) -> list[Line]:
    """Return the same lines, all dim: what they say is no longer current."""
    return [row.in_ink(Ink.DIM) for row in lines]


def wrapped(words: Iterable[Line], width: int, gap: int = 2) -> list[Line]:
    """Flow `words` into rows of at most `width` cells, `gap` blanks apart."""
    rows: list[Line] = []
    for word in words:
        if rows and rows[-1].width + gap + word.width <= width:
            rows[-1] += line(" " * gap) + word
        else:
            rows.append(word)
    return rows


def wrapped_text(text: str, width: int, ink: Ink = Ink.TEXT) -> list[Line]:
    """Flow running text into rows of at most `width` cells; one empty row without text."""
    return wrapped([line((word, ink)) for word in text.split()], width, 1) or [Line()]


def safe(text: str, limit: int = 200) -> str:
    """Make foreign text harmless and measurable: nothing invisible, nothing that overlaps."""
    shown = printable(text, limit)
    return "".join("?" if unicodedata.category(c).startswith("M") else c for c in shown)


_COLOURS = {
    Ink.TEXT: Style(color="#d5dce4"),
    Ink.DIM: Style(color="#7f8b98"),
    Ink.STRONG: Style(color="#ffffff", bold=True),
    Ink.GOOD: Style(color="#6cb8ff", bold=True),
    Ink.OFF: Style(color="#f0a030", bold=True),
    Ink.BAND: Style(color="#6cb8ff"),
    Ink.RAW: Style(color="#b9c4cf"),
    Ink.ESTIMATE: Style(color="#ffffff", bold=True),
    Ink.AXIS: Style(color="#8f9ba8"),
    Ink.KEY: Style(color="#ffffff", bold=True),
    Ink.GOOD_LAMP: Style(color="#0b1016", bgcolor="#6cb8ff", bold=True),
    Ink.OFF_LAMP: Style(color="#0b1016", bgcolor="#f0a030", bold=True),
    Ink.PLAIN_LAMP: Style(color="#0b1016", bgcolor="#9aa6b2", bold=True),
    Ink.TYPED: Style(color="#ffffff", bgcolor="#1b2530"),
}
"""Blue is on target, orange is not: the pair that red-green blind eyes tell apart."""

_SHADES = {
    Ink.TEXT: Style(),
    Ink.DIM: Style(dim=True),
    Ink.STRONG: Style(bold=True),
    Ink.GOOD: Style(bold=True),
    Ink.OFF: Style(bold=True, underline=True),
    Ink.BAND: Style(),
    Ink.RAW: Style(),
    Ink.ESTIMATE: Style(bold=True),
    Ink.AXIS: Style(dim=True),
    Ink.KEY: Style(bold=True),
    Ink.GOOD_LAMP: Style(bold=True, reverse=True),
    Ink.OFF_LAMP: Style(bold=True, reverse=True),
    Ink.PLAIN_LAMP: Style(reverse=True),
    Ink.TYPED: Style(underline=True),
}

BACKGROUND = "#0b1016"


@dataclass(frozen=True, slots=True)
class Glyphs:
    """The characters drawings are made of."""

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
    """Stands where the end of something was left out."""


UNICODE = Glyphs("█", "▀", "▄", "─", "━", "┴", "┼", "├", "┤", "─", "±", "│", ".", "…")
ASCII = Glyphs("#", "'", ".", "-", "=", "+", "|", "|", "|", "-", "+/-", "|", ".", "...")

_SPELLED = {"±": "+/-", "√": "sqrt ", "σ": "sigma", "τ": "tau", "×": "x", "…": "..."}
"""Signs of our own sentences, in ASCII."""


@dataclass(frozen=True, slots=True)
class Look:
    """How drawings become characters and styles on this terminal."""

    ascii: bool = False
    colour: bool = True

    @property
    def glyphs(self) -> Glyphs:
        """The characters to draw with."""
        return ASCII if self.ascii else UNICODE

    def style(self, ink: Ink) -> Style:
        """The style of one meaning."""
        if not self.colour:
            return _SHADES[ink]
        return Style(bgcolor=BACKGROUND) + _COLOURS[ink]

    def segments(self, row: Line) -> list[Segment]:
        """Turn one line into what the terminal library draws."""
        return [Segment(self.text(text), self.style(ink)) for text, ink in row.spans]

    def told(self, text: str, limit: int = 200) -> str:
        """Make a sentence harmless, and spell its signs out where there is only ASCII."""
        shown = safe(text, limit)
        return "".join(_SPELLED.get(c, c) for c in shown) if self.ascii else shown

    def text(self, text: str) -> str:
        """Return `text` in the characters this terminal has, same width."""
        if not self.ascii or text.isascii():
            return text
        return "".join(c if c.isascii() else "?" * cell_len(c) for c in text)
