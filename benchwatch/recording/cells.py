"""The lines of a block as a table of cells, found many at a time."""

from typing import Final

import numpy as np

from benchwatch.recording.dates import read_dates
from benchwatch.recording.decimals import BoolArray, Decimals, IntArray
from benchwatch.recording.number_cells import read_cells
from benchwatch.recording.text import LONGEST_LINE, Block, Line, decode

_PLAIN: Final = np.zeros(256, dtype=bool)
_PLAIN[0x20:0x7F] = True
_PLAIN[ord("\n")] = True
_PLAIN[list(b'";#')] = False


class CellTable:
    """Where the cells of the lines of a block are.

    A line is plain when it is printable ASCII without quotation marks, semicolons and number
    signs, and has as many cells as it should; all others are left to whoever reads them one by
    one.

    Args:
        block: whole lines.
        cells: how many a line should have.
    """

    def __init__(self, block: Block, cells: int) -> None:
        data = block.data.replace(b"\r\n", b"\n")
        if b" " in data:
            data = data.replace(b", ", b",").replace(b" ,", b",")
        self._data, self._cells = data, cells
        buffer = np.frombuffer(data, dtype=np.uint8)
        self._end: IntArray = np.flatnonzero(buffer == ord("\n"))
        self._begin: IntArray = np.concatenate(([0], self._end[:-1] + 1))
        self.number: IntArray = np.arange(block.number, block.number + len(self._end))
        """Of each line in the file."""
        self._commas = np.flatnonzero(buffer == ord(","))
        self.plain: BoolArray = self._end - self._begin <= LONGEST_LINE
        """Which lines are."""
        first = self._evenly()
        if first is None:
            first = np.searchsorted(self._commas, self._begin)
            self.plain &= np.diff(first, append=len(self._commas)) == cells - 1
        self._first: IntArray = first
        strange = np.flatnonzero(~_PLAIN[buffer])
        self.plain[np.searchsorted(self._end, strange)] = False

    def _evenly(self) -> IntArray | None:
        """Return the first comma of each line where every line has all it should; else None."""
        each, lines = self._cells - 1, len(self._end)
        if len(self._commas) != each * lines:
            return None
        rows = self._commas.reshape(lines, each)
        if each and ((rows[:, 0] < self._begin) | (rows[:, -1] > self._end)).any():
            return None
        return np.arange(lines) * each

    def line(self, i: int, name: str) -> Line:
        """Decode the line at `i`; `name` is that of the file."""
        raw = self._data[int(self._begin[i]) : int(self._end[i]) + 1]
        return decode(raw, int(self.number[i]), name)

    def numbers(self, cell: int) -> Decimals:
        """Read one cell of each line as a plain number; unknown where it is none."""
        return read_cells(self._data, *self._extent(cell))

    def dates(self, cell: int) -> Decimals:
        """Read one cell of each line as a date; unknown where it is none."""
        return read_dates(self._data, *self._extent(cell))

    def _extent(self, cell: int) -> tuple[IntArray, IntArray]:
        """Return where a cell begins and ends; nowhere in a line that is not plain."""
        begin, end = self._begin, self._end
        if self._commas.size and cell:
            begin = self._comma(cell - 1) + 1
        if self._commas.size and cell < self._cells - 1:
            end = self._comma(cell)
        return np.where(self.plain, begin, self._begin), np.where(self.plain, end, self._begin)

    def _comma(self, number: int) -> IntArray:
        return self._commas[np.minimum(self._first + number, len(self._commas) - 1)]
