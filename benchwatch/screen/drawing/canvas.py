"""A canvas of dots smaller than a character cell, for the charts.

On a Unicode terminal a cell holds 2 x 4 dots (braille patterns, which have one width
everywhere); on an ASCII terminal 1 x 2.
"""

from itertools import groupby

from benchwatch.screen.drawing.styled_text import Role, StyledLine, line
from benchwatch.screen.drawing.theme import Theme

_BRAILLE = 0x2800
_BRAILLE_BITS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
_ASCII_BITS = ((1,), (2,))
_ASCII = " '.:"


class Canvas:
    """Dots and text on a grid of character cells; row 0 is the top."""

    def __init__(self, columns: int, rows: int, theme: Theme) -> None:
        self.columns, self.rows = max(columns, 1), max(rows, 1)
        self._ascii = theme.ascii
        self._bits_of = _ASCII_BITS if theme.ascii else _BRAILLE_BITS
        self.dots_across, self.dots_down = len(self._bits_of[0]), len(self._bits_of)
        self.width, self.height = self.columns * self.dots_across, self.rows * self.dots_down
        self._bits = [0] * (self.columns * self.rows)
        self._roles = [Role.TEXT] * (self.columns * self.rows)
        self._text: dict[int, str] = {}

    def dot(self, x: int, y: int, role: Role = Role.TEXT) -> None:
        """Set the dot in column `x` and row `y`; a dot outside the canvas is dropped."""
        if 0 <= x < self.width and 0 <= y < self.height:
            cell = (y // self.dots_down) * self.columns + x // self.dots_across
            self._bits[cell] |= self._bits_of[y % self.dots_down][x % self.dots_across]
            self._roles[cell] = role

    def stroke(self, start: tuple[int, int], end: tuple[int, int], role: Role = Role.TEXT) -> None:
        """Draw a straight stroke between two dots; none if it is far longer than the canvas."""
        (x0, y0), (x1, y1) = start, end
        across, down = x1 - x0, y1 - y0
        steps = max(abs(across), abs(down), 1)
        if steps > 8 * (self.width + self.height):
            return
        for i in range(steps + 1):
            self.dot(x0 + round(i * across / steps), y0 + round(i * down / steps), role)

    def write(self, column: int, row: int, text: str, role: Role = Role.TEXT) -> None:
        """Write characters over the dots; those outside the canvas are dropped."""
        for place, char in enumerate(text, column):
            if 0 <= place < self.columns and 0 <= row < self.rows:
                self._text[row * self.columns + place] = char
                self._roles[row * self.columns + place] = role

    def lines(self) -> list[StyledLine]:
        """Return the rows of the picture."""
        return [self._line(row) for row in range(self.rows)]

    def _line(self, row: int) -> StyledLine:
        cells = range(row * self.columns, (row + 1) * self.columns)
        drawn = ((self._cell(cell), self._roles[cell]) for cell in cells)
        runs = groupby(drawn, key=lambda one: one[1])
        return line(*(("".join(char for char, _ in run), role) for role, run in runs))

    def _cell(self, cell: int) -> str:
        """Return the character of a cell: text, else its dots, else a blank."""
        if self._text and cell in self._text:
            return self._text[cell]
        bits = self._bits[cell]
        if not bits:
            return " "
        return _ASCII[bits] if self._ascii else chr(_BRAILLE + bits)
