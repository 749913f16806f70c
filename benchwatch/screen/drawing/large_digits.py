"""Large characters: each is a small bitmap, drawn at any whole magnification."""

from dataclasses import dataclass
from functools import lru_cache

from benchwatch.screen.drawing.styled_text import Role, StyledLine, line
from benchwatch.screen.drawing.theme import Glyphs, Theme

_ROWS = 5
_BITMAPS = {
    "0": "### #.# #.# #.# ###",
    "1": "##. .#. .#. .#. ###",
    "2": "### ..# ### #.. ###",
    "3": "### ..# ### ..# ###",
    "4": "#.# #.# ### ..# ..#",
    "5": "### #.. ### ..# ###",
    "6": "### #.. ### #.# ###",
    "7": "### ..# ..# ..# ..#",
    "8": "### #.# ### #.# ###",
    "9": "### #.# ### ..# ###",
    "+": "... .#. ### .#. ...",
    "-": "... ... ### ... ...",
    "±": ".#. ### .#. ... ###",
    ".": ". . . . #",
    " ": "... ... ... ... ...",
    "?": "### ..# .## ... .#.",
    "/": "..# ..# .#. #.. #..",
    "_": "... ... ... ... ###",
    "#": ".#.#. ##### .#.#. ##### .#.#.",
    "^": "..#.. .###. ##### ..#.. ..#..",
    "v": "..#.. ..#.. ##### .###. ..#..",
    "A": ".#. #.# ### #.# #.#",
    "B": "##. #.# ##. #.# ##.",
    "C": "### #.. #.. #.. ###",
    "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ##. #.. ###",
    "F": "### #.. ##. #.. #..",
    "G": "### #.. #.# #.# ###",
    "H": "#.# #.# ### #.# #.#",
    "I": "### .#. .#. .#. ###",
    "J": "..# ..# ..# #.# ###",
    "K": "#.# #.# ##. #.# #.#",
    "L": "#.. #.. #.. #.. ###",
    "M": "#...# ##.## #.#.# #...# #...#",
    "N": "#..# ##.# #.## #..# #..#",
    "O": "### #.# #.# #.# ###",
    "P": "### #.# ### #.. #..",
    "Q": "### #.# #.# ### ..#",
    "R": "##. #.# ##. #.# #.#",
    "S": ".## #.. .#. ..# ##.",
    "T": "### .#. .#. .#. .#.",
    "U": "#.# #.# #.# #.# ###",
    "V": "#.# #.# #.# #.# .#.",
    "W": "#...# #...# #.#.# ##.## #...#",
    "X": "#.# #.# .#. #.# #.#",
    "Y": "#.# #.# .#. .#. .#.",
    "Z": "### ..# .#. #.. ###",
    "b": "#.. #.. ### #.# ###",
    "e": "### #.# ### #.. ###",
    "m": "..... ..... ##### #.#.# #.#.#",
    "p": "... ### #.# ### #..",
    "z": "... ### .## ##. ###",
}
"""Rows of each character, top row first. Capital letters, and the small ones that units need; ``^``
and ``v`` are arrows."""


@dataclass(frozen=True, slots=True)
class DigitSize:
    """Magnification: columns a pixel, and half rows a pixel."""

    across: int
    halves: int

    @property
    def rows(self) -> int:
        """Rows that a digit takes."""
        return (_ROWS * self.halves + 1) // 2

    def width(self, text: str) -> int:
        """Columns that `text` takes at this size, one pixel between glyphs."""
        pixels = sum(len(_bitmap(char)[0]) for char in text) + max(len(text) - 1, 0)
        return pixels * self.across


SIZES = tuple(
    DigitSize(across, halves) for across, halves in ((6, 6), (4, 4), (3, 3), (2, 2), (1, 1))
)
"""Largest first; pixels are about square, as a terminal's cells are twice as high as wide."""
ASCII_SIZES = tuple(
    DigitSize(across, halves) for across, halves in ((6, 6), (4, 4), (2, 2), (1, 2))
)
"""The same for ASCII, which has no half blocks: a pixel takes whole rows."""


def size_for(width: int, rows: int, text: str, theme: Theme) -> DigitSize | None:
    """Return the largest size at which `text` fits in `width` columns and `rows`; None: none."""
    return next((s for s in sizes_for(rows, theme) if s.width(text) <= width), None)


def sizes_for(rows: int, theme: Theme) -> list[DigitSize]:
    """List the sizes that fit in `rows`, largest first; in ASCII whole rows, where any fits."""
    sizes = ASCII_SIZES if theme.ascii and rows >= ASCII_SIZES[-1].rows else SIZES
    return [size for size in sizes if size.rows <= rows]


def has_bitmaps(text: str) -> bool:
    """Return whether every character of `text` can be drawn large."""
    return all(char in _BITMAPS for char in text)


def large(text: str, size: DigitSize, glyphs: Glyphs, role: Role = Role.STRONG) -> list[StyledLine]:
    """Draw `text` as rows of blocks, with ``?`` for a character that has no bitmap."""
    return list(_drawn(text, size, glyphs, role))


@lru_cache(maxsize=64)  # the digits stay the same from reading to reading, for many pictures
def _drawn(text: str, size: DigitSize, glyphs: Glyphs, role: Role) -> tuple[StyledLine, ...]:
    """Return the rows of `large`."""
    bitmaps = [_bitmap(char) for char in text]
    pixel_rows = [
        "".join(
            _stretched(bitmap[row], size.across, last=index == len(bitmaps) - 1)
            for index, bitmap in enumerate(bitmaps)
        )
        for row in range(_ROWS)
        for _ in range(size.halves)
    ]
    if len(pixel_rows) % 2:
        pixel_rows.append("." * len(pixel_rows[0]))
    blocks = {"##": glyphs.full, "#.": glyphs.upper, ".#": glyphs.lower, "..": " "}
    return tuple(
        line(("".join(blocks[a + b] for a, b in zip(upper, lower, strict=True)), role))
        for upper, lower in zip(pixel_rows[::2], pixel_rows[1::2], strict=True)
    )


def _bitmap(char: str) -> list[str]:
    return _BITMAPS.get(char, _BITMAPS["?"]).split(" ")


def _stretched(pixels: str, across: int, *, last: bool) -> str:
    """Repeat each pixel `across` times; add one blank pixel unless the glyph is the last."""
    wide = "".join(pixel * across for pixel in pixels)
    return wide if last else wide + "." * across
