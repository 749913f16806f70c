"""The cells in the lines of a block of a table, read column by column."""

from typing import Final

import numpy as np

from benchwatch.estimate.array_types import BoolArray, IntArray
from benchwatch.recording.cell_parsing import read_cells
from benchwatch.recording.dates import read_dates
from benchwatch.recording.decimals import Decimals
from benchwatch.recording.tables.dialect import Dialect
from benchwatch.recording.text_lines import LONGEST_LINE_BYTES, TextBlock, TextLine, decode

_PLAIN_BYTES: Final = np.zeros(256, dtype=bool)
_PLAIN_BYTES[0x20:0x7F] = True
_PLAIN_BYTES[ord("\n")] = True
_PLAIN_BYTES[list(b'";#')] = False
_PLAIN: Final = bytes(np.flatnonzero(_PLAIN_BYTES).tolist())
"""The bytes of plain lines."""


class CellTable:
    """The positions of the cells in the lines of a block.

    A line is plain when it is printable ASCII without quotation marks, semicolons and number
    signs, and has the expected number of cells. The caller reads all other lines one by one.

    Args:
        block: whole lines.
        cells: expected number of cells in a line.
        dialect: how the table is written.
    """

    def __init__(self, block: TextBlock, cells: int, dialect: Dialect) -> None:
        self._data, data = dialect.plain(block.data)
        self._date_data, self._cells = data, cells
        self._block, self._lines = block, list[bytes]()
        buffer = np.frombuffer(data, dtype=np.uint8)
        self._end: IntArray = np.flatnonzero(buffer == ord("\n"))
        self._begin: IntArray = np.concatenate(([0], self._end[:-1] + 1))
        self.number: IntArray = np.arange(block.number, block.number + len(self._end))
        """Number of each line in the file, (lines,)."""
        self._commas = np.flatnonzero(buffer == ord(","))
        self.plain: BoolArray = self._end - self._begin <= LONGEST_LINE_BYTES
        """Which lines are plain, (lines,)."""
        first = self._regular_commas()
        if first is None:
            first = np.searchsorted(self._commas, self._begin)
            self.plain &= np.diff(first, append=len(self._commas)) == cells - 1
        self._first: IntArray = first
        if data.translate(None, _PLAIN):
            odd = np.flatnonzero(~_PLAIN_BYTES[buffer])
            self.plain[np.searchsorted(self._end, odd)] = False

    def _regular_commas(self) -> IntArray | None:
        """Return the index of each line's first comma; None if any line has more or fewer cells."""
        each, lines = self._cells - 1, len(self._end)
        if len(self._commas) != each * lines:
            return None
        rows = self._commas.reshape(lines, each)
        if each and ((rows[:, 0] < self._begin) | (rows[:, -1] > self._end)).any():
            return None
        return np.arange(lines) * each

    def line(self, i: int, name: str) -> TextLine:
        """Decode the line with index `i` in the block; `name` is the file's name, for messages.

        Raises:
            FileError: the line is no text.
        """
        if not self._lines:
            self._lines = self._block.data.split(b"\n")
        return decode(self._lines[i] + b"\n", int(self.number[i]), name)

    def numbers(self, cell: int) -> Decimals:
        """Read column `cell` as numbers; unknown where the line or the number is not plain."""
        return read_cells(self._data, *self._bounds(cell))

    def dates(self, cell: int, *, clock: bool = False) -> Decimals:
        """Read column `cell` as dates, in Unix seconds; unknown as in `read_dates`.

        `clock`: the time of day stands in the next column.
        """
        begin, end = self._bounds(cell)
        if clock:
            end = self._bounds(cell + 1)[1]
        return read_dates(self._date_data, begin, end)

    def _bounds(self, cell: int) -> tuple[IntArray, IntArray]:
        """Return begin and end of column `cell` in each line; equal where the line is not plain."""
        begin, end = self._begin, self._end
        if self._commas.size and cell:
            begin = self._comma_after(cell - 1) + 1
        if self._commas.size and cell < self._cells - 1:
            end = self._comma_after(cell)
        return np.where(self.plain, begin, self._begin), np.where(self.plain, end, self._begin)

    def _comma_after(self, cell: int) -> IntArray:
        """Return the position of the comma after column `cell` in each line."""
        return self._commas[np.minimum(self._first + cell, len(self._commas) - 1)]
