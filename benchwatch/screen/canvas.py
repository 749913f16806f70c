"""A canvas of dots smaller than a character cell, for the charts.

On a Unicode terminal a cell holds 2 x 4 dots (braille patterns, which have one width
everywhere); on an ASCII terminal 1 x 2.
"""

from benchwatch.screen.ink import Ink, Line, Look, line

_BRAILLE = 0x2800
_BRAILLE_BITS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
_ASCII = {1: "'", 2: ".", 3: ":"}


class Canvas:
    """Dots and text on a grid of character cells; row 0 is the top."""

    def __init__(self, columns: int, rows: int, look: Look) -> None:
        self.columns, self.rows = max(columns, 1), max(rows, 1)
        self._ascii = look.ascii
        self.dots_across, self.dots_down = (1, 2) if look.ascii else (2, 4)
        self._dots: dict[tuple[int, int], int] = {}
        self._inks: dict[tuple[int, int], Ink] = {}
        self._text: dict[tuple[int, int], tuple[str, Ink]] = {}

    @property
    def width(self) -> int:
        """Dots from left to right."""
        return self.columns * self.dots_across

    @property
    def height(self) -> int:
        """Dots from top to bottom."""
        return self.rows * self.dots_down

    def dot(self, x: int, y: int, ink: Ink = Ink.TEXT) -> None:
        """Set one dot; outside the canvas nothing happens."""
        if not (0 <= x < self.width and 0 <= y < self.height):
            return
        column, across = divmod(x, self.dots_across)
        row, down = divmod(y, self.dots_down)
        bit = (1 << down) if self._ascii else _BRAILLE_BITS[across][down]
        self._dots[column, row] = self._dots.get((column, row), 0) | bit
        self._inks[column, row] = ink

    def stroke(self, start: tuple[int, int], end: tuple[int, int], ink: Ink = Ink.TEXT) -> None:
        """Join two dots by a straight stroke."""
        (x0, y0), (x1, y1) = start, end
        steps = max(abs(x1 - x0), abs(y1 - y0), 1)
        if steps > 8 * (self.width + self.height):
            return
        for i in range(steps + 1):
            self.dot(x0 + round(i * (x1 - x0) / steps), y0 + round(i * (y1 - y0) / steps), ink)

    def write(self, column: int, row: int, text: str, ink: Ink = Ink.TEXT) -> None:
        """Put characters over the dots; what falls outside is cut."""
        for index, char in enumerate(text):
            if 0 <= column + index < self.columns and 0 <= row < self.rows:
                self._text[column + index, row] = (char, ink)

    def lines(self) -> list[Line]:
        """Return the picture."""
        return [self._line(row) for row in range(self.rows)]

    def _line(self, row: int) -> Line:
        spans: list[tuple[str, Ink]] = []
        for column in range(self.columns):
            char, ink = self._cell(column, row)
            if spans and spans[-1][1] is ink:
                spans[-1] = (spans[-1][0] + char, ink)
            else:
                spans.append((char, ink))
        return line(*spans)

    def _cell(self, column: int, row: int) -> tuple[str, Ink]:
        place = (column, row)
        if place in self._text:
            return self._text[place]
        bits = self._dots.get(place, 0)
        if not bits:
            return " ", Ink.TEXT
        return (_ASCII[bits] if self._ascii else chr(_BRAILLE + bits)), self._inks[place]
