"""Reads tables of text: headings and rows, or rows alone."""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from itertools import chain, islice, pairwise
from typing import Final

import numpy as np

from benchwatch.errors import FileError
from benchwatch.estimate.array_types import IntArray
from benchwatch.quantity import how_many, printable
from benchwatch.recording.decimals import (
    Decimals,
    decimals_from_texts,
    decimals_from_values,
    merge_decimals,
)
from benchwatch.recording.rows import (
    CounterFacts,
    CounterRows,
    Rows,
    check_size,
    check_time,
    location,
    read_date,
    read_number,
    unix_seconds,
)
from benchwatch.recording.tables.cell_table import CellTable
from benchwatch.recording.tables.dialect import (
    SEPARATOR_WORDS,
    Dialect,
    find_separator,
    header_cells,
    with_any_point,
)
from benchwatch.recording.tables.own_comment import take_own_comment
from benchwatch.recording.tables.row_times import RowTimes, epoch_of
from benchwatch.recording.tables.table_columns import (
    ColumnFinder,
    TableColumns,
    date_and_clock,
    is_data,
)
from benchwatch.recording.tables.table_request import TableRequest
from benchwatch.recording.text_lines import TextBlock, TextLine, is_content

HEAD_LINES: Final = 20
"""Rows by which it is found how a table is written."""
MOST_SOUGHT_LINES: Final = 1000
"""Lines of a block among which they are sought."""
MOST_SOUGHT_BLOCKS: Final = 20


def read_table_rows(
    source: str,
    first: TextLine,
    blocks: Iterator[TextBlock],
    asked: TableRequest,
    comment: bytes = b"",
) -> Iterator[CounterRows]:
    """Read the rows of a table, block by block.

    Args:
        source: name of the file, for messages.
        first: first line that is neither empty nor a comment.
        blocks: the lines after it.
        asked: what the caller states on the columns.
        comment: the beginning of the file, where an export names its counter.

    Raises:
        FileError: the text is no such table; the message names the line.
    """
    head, blocks = _first_rows(source, blocks)
    first, rows, (dialect, finder, columns, notes) = _below_titles(source, first, head, asked)
    if rows != head:
        head, blocks = rows, _lines_after(blocks, first.number)
    if not columns.has_times and asked.interval_s is None:
        raise FileError(
            f"{source}: has no times. Add a column time_s (seconds) or time (ISO 8601), say which "
            "column they are with --time-column, or give the time from reading to reading, such as "
            "--interval 1s."
        )
    facts = CounterFacts(source=source, kind=columns.kind, parts=columns.unit.parts, notes=notes)
    take_own_comment(facts, comment, first.text)
    if head:
        at = location(source, head[0].number)
        facts.epoch_s = epoch_of(facts, finder.first_moment(columns), at)
    reader = TableReader(facts, columns, dialect, asked.interval_s)
    if not finder.headed:
        again = (first.text + "\n" * first.ended).encode()
        blocks = chain([TextBlock(first.number, again, first.ended)], blocks)
    for block in blocks:
        yield [(facts, reader.read(block))]


_Found = tuple[Dialect, ColumnFinder, TableColumns, list[str]]


def _below_titles(
    source: str, first: TextLine, head: list[TextLine], asked: TableRequest
) -> tuple[TextLine, list[TextLine], _Found]:
    """Find the columns of a table whose headings may stand below lines of a title.

    Returns:
        The line of headings (or the first row), the rows after it, and what `find_table` returns.

    Raises:
        FileError: as `find_table` for the first line, if no line after it has headings either.
    """
    lines = [first, *head]
    errors: list[FileError] = []
    for at, line in enumerate(lines):
        try:
            found = find_table(source, line, lines[at + 1 :], asked)
        except FileError as error:
            errors.append(error)
            continue
        if at and not (found[1].headed and lines[at + 1 :]):
            continue
        if at:
            found[3].append(
                f"{location(source, line.number)}: the headings; the lines above them are taken "
                "as a title."
            )
        return line, lines[at + 1 :], found
    raise errors[_likely_headings(lines)]


def _likely_headings(lines: list[TextLine]) -> int:
    """Return the index of the line that looks like headings by the row of numbers after it."""
    for at, (line, row) in enumerate(pairwise(lines)):
        dialect = Dialect(find_separator(line.text, row.text))
        with suppress(FileError):
            names, cells = dialect.split(line.text, ""), dialect.split(row.text, "")
            headed = not all(map(is_data, names)) and all(map(is_data, cells))
            if headed and len(names) == len(cells):
                return at
    return 0


def _lines_after(blocks: Iterator[TextBlock], number: int) -> Iterator[TextBlock]:
    """Yield the lines after the one of this number."""
    for block in blocks:
        if block.number > number:
            yield block
            continue
        rest = b"".join(block.data.splitlines(keepends=True)[number + 1 - block.number :])
        if rest:
            yield TextBlock(number + 1, rest, block.ended)


def find_table(
    source: str, first: TextLine, head: Sequence[TextLine], asked: TableRequest
) -> _Found:
    """Find how a table is written, and its columns.

    Args:
        source: name of the file, for messages.
        first: first line that is neither empty nor a comment.
        head: the first lines after it that are neither.
        asked: what the caller states on the columns.

    Returns:
        How it is written, the finder of its columns, the columns, and notes.

    Raises:
        FileError: as `ColumnFinder.columns`.
    """
    where = location(source, first.number)
    dialect = Dialect(find_separator(first.text, head[0].text if head else None))
    rows = [dialect.split(line.text, location(source, line.number)) for line in head]
    row = rows[0] if rows else []
    names = header_cells(dialect, first.text, where, len(row))
    if dialect.separator == " " and len(row) == len(names) + 1:
        # The heading of the times stands for two cells, a date and a time of day.
        at = date_and_clock(row)
        if at is not None:
            names.insert(at + 1, "")
    points = row if dialect.separator == "," else [with_any_point(cell) for cell in row]
    finder = ColumnFinder(where, names, points, asked)
    columns = finder.columns(source)
    for cells in [names, *rows]:
        dialect.decide(columns.numbers_of(cells))
    said = finder.guessed
    if dialect.separator != ",":
        written = f"columns separated by {SEPARATOR_WORDS[dialect.separator]}"
        said = [f"{written}, decimal commas" if dialect.decimal == "," else written, *said]
    notes = [f"{source}: {'; '.join(said)}."] if said else []
    return dialect, finder, columns, finder.notes + notes


def _first_rows(
    source: str, blocks: Iterator[TextBlock]
) -> tuple[list[TextLine], Iterator[TextBlock]]:
    """Return the first lines that are rows, at most `HEAD_LINES`, and all blocks.

    The lines are those of the first block with any.
    """
    taken = []
    for block in blocks:
        taken.append(block)
        sought = filter(is_content, islice(block.lines(source), MOST_SOUGHT_LINES))
        lines = list(islice(sought, HEAD_LINES))
        if lines:
            return lines, chain(taken, blocks)
        if len(taken) == MOST_SOUGHT_BLOCKS:
            break
    return [], chain(taken, blocks)


class TableReader:
    """Reads a table block by block.

    Args:
        facts: facts on the counter; start time and notes are added while rows are read.
        columns: the columns of the table.
        dialect: how it is written.
        interval_s: seconds from row to row, where the file has no times.
    """

    def __init__(
        self,
        facts: CounterFacts,
        columns: TableColumns,
        dialect: Dialect,
        interval_s: float | None,
    ) -> None:
        self._facts = facts
        self._columns, self._dialect = columns, dialect
        self._times = RowTimes(facts, columns, interval_s)
        self._newest: Decimals | None = None
        """The numbers of the newest block; their lengths show whether the last one was cut."""

    def read(self, block: TextBlock) -> Rows:
        """Read the rows of a block; a half-written last row is left out with a note.

        Raises:
            FileError: a line is no row of this table, or its time does not advance.
        """
        if not block.ended:
            return self._read_end(block)
        if self._columns.dates is not None and not self._times.begun:
            self._note_zone(block, self._columns.dates)
        if self._dialect.decimal is None:
            self._decide(block)
        cells = CellTable(block, self._columns.cells, self._dialect)
        value = cells.numbers(self._columns.value)
        good = cells.plain & value.known
        time = None
        if self._columns.seconds is not None:
            time = cells.numbers(self._columns.seconds)
        elif self._columns.dates is not None:
            time = cells.dates(self._columns.dates, clock=self._columns.clock)
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
        written = self._dialect.split(line.text, where)[cell : cell + 1 + self._columns.clock]
        if written and read_date("T".join(written), where, zone=None).tzinfo is None:
            self._facts.notes.append(f"{where}: times without a zone are taken as UTC.")

    def _decide(self, block: TextBlock) -> None:
        """Find the sign of the decimals, and add a note if it is a comma."""
        if b"," not in block.data and b"." not in block.data:
            return
        columns = self._columns
        for line in filter(is_content, block.lines(self._facts.source)):
            cells = self._dialect.split(line.text, self._facts.location(line.number))
            self._dialect.decide(columns.numbers_of(cells))
            if self._dialect.decimal is not None:
                break
        if self._dialect.decimal == ",":
            self._facts.notes.append(f"{self._facts.source}: decimal commas.")

    def _read_end(self, block: TextBlock) -> Rows:
        """Read a last line without line ending; if it looks cut, leave it out with a note."""
        (line,) = block.lines(self._facts.source)
        if self._dialect.decimal is None:
            self._decide(block)
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
        cells = self._dialect.split(line.text, where)
        if len(cells) != columns.cells:
            raise self._wrong_count(where, line.text, len(cells))
        cell = self._dialect.with_point(cells[columns.value], where)
        text = read_number(cell, where, columns.value_name)
        check_size(text, where, columns.value_name)
        return _ParsedRow(line.number, text, self._time(cells, where))

    def _wrong_count(self, where: str, text: str, cells: int) -> FileError:
        """Return the error for a line with another number of cells than the first."""
        says = f"{where}: {how_many(cells, 'cell')} where the first line has {self._columns.cells}."
        sign = self._dialect.separator
        if sign == "," and cells > self._columns.cells:
            return FileError(
                f"{says} If its decimals are commas, export the file with semicolons between the "
                "columns, or write decimals with a point; else mend or remove this line."
            )
        other = next((word for s, word in SEPARATOR_WORDS.items() if s != sign and s in text), None)
        if cells < self._columns.cells and other is not None and sign != " ":
            says += f" It is separated by {other}, and the first line by {SEPARATOR_WORDS[sign]}."
        return FileError(f"{says} Mend or remove this line.")

    def _time(self, cells: list[str], where: str) -> Decimal | None:
        """Read the time of a row in seconds; None if the table has no times.

        Raises:
            FileError: it is missing or malformed.
        """
        columns = self._columns
        if columns.dates is not None:
            date = "T".join(cells[columns.dates : columns.dates + 1 + columns.clock])
            return unix_seconds(read_date(date, where, name=columns.time_name))
        if columns.seconds is None:
            return None
        cell = self._dialect.with_point(cells[columns.seconds], where)
        text = read_number(cell, where, columns.time_name)
        if text is None:
            raise FileError(f"{where}: the time is missing. Fill it in or remove the line.")
        return check_time(Decimal(text), where)

    def _rows(self, line: IntArray, value: Decimals, time: Decimals | None) -> Rows:
        """Return the rows with line numbers, numbers and times, after checks of their sizes."""
        if len(line):
            self._newest = value
        return self._times.rows(line, value, time)

    def _is_whole(self, line: TextLine) -> bool:
        """Return whether a last line without line ending is a whole row.

        A number shorter than the shortest of the hundred before it may have been cut.
        """
        try:
            cells = self._dialect.split(line.text, "")
            value = read_number(self._dialect.with_point(cells[self._columns.value], ""), "", "")
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
