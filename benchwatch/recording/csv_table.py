"""Comma-separated tables: a header and rows, or one column of bare numbers."""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import chain
from typing import Final

import numpy as np

from benchwatch.errors import FileError
from benchwatch.estimate.array_types import FloatArray, IntArray
from benchwatch.quantity import printable
from benchwatch.recording.cell_parsing import CellTable
from benchwatch.recording.decimals import (
    Decimals,
    decimal_multiples,
    decimals_from_texts,
    decimals_from_values,
    merge_decimals,
)
from benchwatch.recording.recorded_run import Column
from benchwatch.recording.rows import (
    FARTHEST_TIME_S,
    OVERRANGE_FROM,
    TOO_LARGE,
    CounterFacts,
    CounterRows,
    Rows,
    check_size,
    check_time,
    read_date,
    read_number,
    unix_seconds,
)
from benchwatch.recording.table_columns import TableColumns, find_columns, split_cells
from benchwatch.recording.text_lines import TextBlock, TextLine, is_content

UNIX_FROM_S: Final = 1_000_000_000
"""Seconds from which a time column is taken as Unix time (this is the year 2001)."""


def read_table_rows(
    source: str,
    first: TextLine,
    blocks: Iterator[TextBlock],
    column: Column | None,
    interval_s: float | None,
) -> Iterator[CounterRows]:
    """Read the rows of a table, block by block.

    Args:
        source: name of the file, for messages.
        first: first line that is neither empty nor a comment.
        blocks: the lines after it.
        column: column of the numbers, where the header names none or several.
        interval_s: seconds from row to row, where the file has no times.

    Raises:
        FileError: the text is no such table; the message names the line.
    """
    columns, headed, notes = find_columns(source, first, column)
    if columns.seconds is None and columns.dates is None and interval_s is None:
        raise FileError(
            f"{source}: has no times. Add a column time_s (seconds) or time (ISO 8601), or give "
            "the time from reading to reading, such as --interval 1s."
        )
    facts = CounterFacts(source=source, kind=columns.kind, parts=columns.parts, notes=notes)
    reader = TableReader(facts, columns, interval_s)
    if not headed:
        again = (first.text + "\n" * first.ended).encode()
        blocks = chain([TextBlock(first.number, again, first.ended)], blocks)
    for block in blocks:
        yield [(facts, reader.read(block))]


class TableReader:
    """Reads a table block by block.

    Args:
        facts: facts on the counter; start time and notes are added while rows are read.
        columns: the columns of the table.
        interval_s: seconds from row to row, where the file has no times.
    """

    def __init__(
        self, facts: CounterFacts, columns: TableColumns, interval_s: float | None
    ) -> None:
        self._facts = facts
        self._columns = columns
        self._step = None if interval_s is None else Decimal(repr(interval_s))
        self._start: Decimal | None = None
        self._last_s = -np.inf
        self._count = 0
        self._newest: Decimals | None = None
        """The numbers of the newest block; their lengths show whether the last one was cut."""

    def read(self, block: TextBlock) -> Rows:
        """Read the rows of a block; a half-written last row is left out with a note.

        Raises:
            FileError: a line is no row of this table, or its time does not advance.
        """
        if not block.ended:
            return self._read_end(block)
        if self._columns.dates is not None and self._start is None:
            self._note_zone(block, self._columns.dates)
        cells = CellTable(block, self._columns.cells)
        value = cells.numbers(self._columns.value)
        good = cells.plain & value.known
        time = None
        if self._columns.seconds is not None:
            time = cells.numbers(self._columns.seconds)
        elif self._columns.dates is not None:
            time = cells.dates(self._columns.dates)
        if time is not None:
            good &= time.known
        if good.all():
            return self._rows(cells.number, value, time)
        odd = [cells.line(i, self._facts.source) for i in np.flatnonzero(~good).tolist()]
        taken = [self._take(line) for line in odd if is_content(line)]
        plain = np.flatnonzero(good)
        numbers = np.concatenate((cells.number[plain], [one.line for one in taken])).astype(int)
        order = np.argsort(numbers, kind="stable")
        row_of = np.empty_like(order)
        row_of[order] = np.arange(len(order))
        first, second = row_of[: len(plain)], row_of[len(plain) :]
        others = decimals_from_texts([one.text for one in taken])
        value = merge_decimals([(first, value.only(plain)), (second, others)])
        if time is not None:
            seconds = decimals_from_values([one.time for one in taken], list)
            time = merge_decimals([(first, time.only(plain)), (second, seconds)])
        return self._rows(numbers[order], value, time)

    def _note_zone(self, block: TextBlock, cell: int) -> None:
        """Add a note when the first date in column `cell` has no zone."""
        line = next(filter(is_content, block.lines(self._facts.source)), None)
        if line is None:
            return
        where = self._facts.location(line.number)
        written = split_cells(line.text, where)[cell : cell + 1]
        if written and read_date(written[0], where, zone=None).tzinfo is None:
            self._facts.notes.append(f"{where}: times without a zone are taken as UTC.")

    def _read_end(self, block: TextBlock) -> Rows:
        """Read a last line without line ending; if it looks cut, leave it out with a note."""
        (line,) = block.lines(self._facts.source)
        taken = []
        if is_content(line):
            if self._is_whole(line):
                taken = [self._take(line)]
            else:
                self._facts.notes.append(
                    f"{self._facts.location(line.number)}: the last line is half written "
                    f"('{printable(line.text, 40)}') and left out."
                )
        numbers = np.array([one.line for one in taken], dtype=np.int64)
        seconds = decimals_from_values([one.time for one in taken], list)
        return self._rows(numbers, decimals_from_texts([one.text for one in taken]), seconds)

    def _take(self, line: TextLine) -> "_ParsedRow":
        """Read one row cell by cell.

        Raises:
            FileError: the line is no row of this table.
        """
        columns, facts = self._columns, self._facts
        where = facts.location(line.number)
        cells = split_cells(line.text, where)
        if len(cells) != columns.cells:
            raise FileError(
                f"{where}: {len(cells)} cells where the first line has {columns.cells}. "
                "Separate by commas, write decimals with a point, and mend or remove this line."
            )
        text = read_number(cells[columns.value], where, columns.kind)
        check_size(text, where, columns.kind)
        return _ParsedRow(line.number, text, self._time(cells, where))

    def _time(self, cells: list[str], where: str) -> Decimal | None:
        """Read the time of a row in seconds; None if the table has no times.

        Raises:
            FileError: it is missing or malformed.
        """
        if self._columns.dates is not None:
            return unix_seconds(read_date(cells[self._columns.dates], where))
        if self._columns.seconds is None:
            return None
        text = read_number(cells[self._columns.seconds], where, "time_s")
        if text is None:
            raise FileError(f"{where}: the time is missing. Fill it in or remove the line.")
        return check_time(Decimal(text), where)

    def _rows(self, line: IntArray, value: Decimals, time: Decimals | None) -> Rows:
        """Return the rows with line numbers, numbers and times, after checks of their sizes."""
        facts = self._facts
        for i in value.beyond(TOO_LARGE):
            check_size(value.texts()[i], facts.location(int(line[i])), self._columns.kind)
        over = None
        infinite = value.beyond(OVERRANGE_FROM)
        if infinite:
            # Only a frequency can be over the counter's range; in other columns it is a blank.
            over = np.zeros(len(line), dtype=bool)
            over[infinite] = True
            if facts.kind != "frequency_hz":
                value.known[infinite] = False
                over = None
        time_s = self._times(line, time, len(line))
        self._count += len(line)
        if len(line):
            self._newest = value
        return Rows(line=line, time_s=time_s, value=value, over=over)

    def _times(self, line: IntArray, time: Decimals | None, count: int) -> FloatArray:
        """Return the time of each row in seconds, which must advance from row to row.

        Dates and Unix times are counted from the first row, other times as the file has them.

        Raises:
            FileError: the time does not advance, or is absurdly far away.
        """
        if self._columns.seconds is None and self._columns.dates is None:
            assert self._step is not None
            return decimal_multiples(self._step, self._count, count).floats()
        assert time is not None
        for i in time.beyond(FARTHEST_TIME_S):
            check_time(time.at(i), self._facts.location(int(line[i])))
        if self._start is None and count:
            first = time.at(0)
            dated = self._columns.dates is not None or first >= UNIX_FROM_S
            self._start = first if dated else Decimal(0)
            self._facts.epoch_s = float(first) if dated else None
        time_s = time.minus(self._start or Decimal(0))
        steps = np.diff(time_s, prepend=self._last_s)
        stuck = np.flatnonzero(steps <= 0)
        if stuck.size:
            row = int(stuck[0])
            earlier = self._last_s if row == 0 else float(time_s[row - 1])
            raise FileError(
                f"{self._facts.location(int(line[row]))}: the time does not advance "
                f"({earlier:.12g} s, then {time_s[row]:.12g} s). Sort the file by time and remove "
                "doubled rows; if two runs were joined, split it here."
            )
        if count:
            self._last_s = float(time_s[-1])
        return time_s

    def _is_whole(self, line: TextLine) -> bool:
        """Return whether a last line without line ending is a whole row.

        A number shorter than the shortest of the hundred before it may have been cut.
        """
        try:
            cells = split_cells(line.text, "")
            value = read_number(cells[self._columns.value], "", "")
        except (FileError, IndexError):
            return False
        if len(cells) != self._columns.cells or value is None:
            return False
        earlier = [] if self._newest is None else self._newest.texts()[-100:]
        return len(value) >= min((len(text) for text in earlier if text), default=0)


@dataclass(frozen=True, slots=True)
class _ParsedRow:
    """One row, read cell by cell."""

    line: int
    text: str | None
    """The number as written; None where the cell is blank."""
    time: Decimal | None
    """Seconds; None where the file has no times."""
