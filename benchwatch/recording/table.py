"""Comma-separated tables: a header and rows, or one column of bare numbers."""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import chain
from typing import Final

import numpy as np

from benchwatch.errors import FileError
from benchwatch.quantity import printable
from benchwatch.recording.cells import CellTable
from benchwatch.recording.decimals import (
    Decimals,
    FloatArray,
    IntArray,
    merged,
    of_steps,
    of_texts,
    of_values,
)
from benchwatch.recording.record import COLUMNS, PARTS, Column, Kind, kind_of
from benchwatch.recording.rows import (
    BEYOND,
    LATEST_S,
    OVERRANGE_FROM,
    Round,
    Rows,
    Track,
    check_size,
    check_time,
    is_number,
    place,
    read_date,
    read_number,
    unix_seconds,
)
from benchwatch.recording.text import Block, Line, is_content

UNIX_FROM_S: Final = 1_000_000_000
"""Seconds from which a time column is taken as Unix time (this is the year 2001)."""

_FORMS: Final = "time_s or time, and one of " + ", ".join(COLUMNS)


@dataclass(frozen=True, slots=True)
class Layout:
    """Which cell of a row is what."""

    kind: Kind
    parts: int
    """Offsets are written in one part of so many."""
    value: int
    seconds: int | None
    dates: int | None
    cells: int


def table_rows(
    source: str,
    first: Line,
    blocks: Iterator[Block],
    column: Column | None,
    interval_s: float | None,
) -> Iterator[Round]:
    """Read the rows of a table, block by block.

    Args:
        source: name of the file, for messages.
        first: its first line that is neither empty nor a comment.
        blocks: what follows it.
        column: what the numbers are, where the header does not say.
        interval_s: time from row to row, where the file has no times.

    Raises:
        FileError: the text is no such table.
    """
    layout, headed, notes = _layout(source, first, column)
    if layout.seconds is None and layout.dates is None and interval_s is None:
        raise FileError(
            f"{source}: has no times. Add a column time_s (seconds) or time (ISO 8601), or give "
            "the time from reading to reading, such as --interval 1s."
        )
    track = Track(source, layout.kind, parts=layout.parts, notes=notes)
    reader = TableReader(track, layout, interval_s)
    if not headed:
        again = (first.text + "\n" * first.ended).encode()
        blocks = chain([Block(first.number, again, first.ended)], blocks)
    for block in blocks:
        yield [(track, reader.read(block))]


def _layout(source: str, first: Line, column: Column | None) -> tuple[Layout, bool, list[str]]:
    where = place(source, first.number)
    cells = _cells(first.text, where)
    names = [cell.lower() for cell in cells]
    found = [name for name in COLUMNS if name in names and column in {None, name}]
    if found:
        notes = []
        if len(found) > 1:
            notes.append(f"{source}: columns {', '.join(found)}; {found[0]} is used.")
        doubled = next((name for name in names if name in COLUMNS and names.count(name) > 1), None)
        if doubled:
            raise FileError(f"{where}: two columns are named {doubled}; rename one.")
        seconds = names.index("time_s") if "time_s" in names else None
        dates = names.index("time") if "time" in names and seconds is None else None
        value, parts = names.index(found[0]), PARTS.get(found[0], 1)
        layout = Layout(kind_of(found[0]), parts, value, seconds, dates, len(cells))
        return layout, True, notes
    headed = not is_number(cells[-1])
    if len(cells) == 1 and column is not None:
        skipped = [f"{where}: '{printable(cells[0], 40)}' is taken as a title."] if headed else []
        kind, parts = kind_of(column), PARTS.get(column, 1)
        return Layout(kind, parts, 0, None, None, 1), headed, skipped
    if len(cells) == 1 and not headed:
        raise FileError(
            f"{where}: one column of numbers without a header. Say what they are and how far "
            "apart, such as --column frequency_hz --interval 1s."
        )
    if column is not None and headed:
        raise FileError(f"{where}: no column is named {column}. The header needs {_FORMS}.")
    hint = " Name the columns in a first line" if not headed else " Rename its columns"
    raise FileError(
        f"{where}: '{printable(first.text, 60)}' is no header that is known.{hint}: {_FORMS}."
    )


class TableReader:
    """Reads a table block by block.

    Args:
        track: what is known of the counter; what the rows tell is added.
        layout: which cell is what.
        interval_s: time from row to row, where the file has no times.
    """

    def __init__(self, track: Track, layout: Layout, interval_s: float | None) -> None:
        self._track = track
        self._layout = layout
        self._step = None if interval_s is None else Decimal(repr(interval_s))
        self._start: Decimal | None = None
        self._last_s = -np.inf
        self._count = 0
        self._newest: Decimals | None = None
        """To judge a last line by."""

    def read(self, block: Block) -> Rows:
        """Read the rows of a block; a half-written last one is left out with a note.

        Raises:
            FileError: a line is no row of this table, or its time is no later than the one before.
        """
        if not block.ended:
            return self._read_end(block)
        if self._layout.dates is not None and self._start is None:
            self._note_zone(block, self._layout.dates)
        cells = CellTable(block, self._layout.cells)
        value = cells.numbers(self._layout.value)
        good = cells.plain & value.known
        time = None
        if self._layout.seconds is not None:
            time = cells.numbers(self._layout.seconds)
        elif self._layout.dates is not None:
            time = cells.dates(self._layout.dates)
        if time is not None:
            good &= time.known
        if good.all():
            return self._rows(cells.number, value, time)
        odd = [cells.line(i, self._track.source) for i in np.flatnonzero(~good).tolist()]
        taken = [self._take(line) for line in odd if is_content(line)]
        plain = np.flatnonzero(good)
        numbers = np.concatenate((cells.number[plain], [one.line for one in taken])).astype(int)
        order = np.argsort(numbers, kind="stable")
        place = np.empty_like(order)
        place[order] = np.arange(len(order))
        first, second = place[: len(plain)], place[len(plain) :]
        value = merged([(first, value.only(plain)), (second, of_texts([t.text for t in taken]))])
        if time is not None:
            seconds = of_values([one.time for one in taken], list)
            time = merged([(first, time.only(plain)), (second, seconds)])
        return self._rows(numbers[order], value, time)

    def _note_zone(self, block: Block, cell: int) -> None:
        """Say so when the first date has no zone."""
        line = next(filter(is_content, block.lines(self._track.source)), None)
        if line is None:
            return
        where = self._track.place(line.number)
        written = _cells(line.text, where)[cell : cell + 1]
        if written and read_date(written[0], where, zone=None).tzinfo is None:
            self._track.notes.append(f"{where}: times without a zone are taken as UTC.")

    def _read_end(self, block: Block) -> Rows:
        """Read a last line without its line ending: a cut number is no reading."""
        (line,) = block.lines(self._track.source)
        taken = []
        if is_content(line):
            if self._is_whole(line):
                taken = [self._take(line)]
            else:
                self._track.notes.append(
                    f"{self._track.place(line.number)}: the last line is half written "
                    f"('{printable(line.text, 40)}') and left out."
                )
        numbers = np.array([one.line for one in taken], dtype=np.int64)
        seconds = of_values([one.time for one in taken], list)
        return self._rows(numbers, of_texts([one.text for one in taken]), seconds)

    def _take(self, line: Line) -> "_Row":
        """Read one row cell by cell."""
        layout, track = self._layout, self._track
        where = track.place(line.number)
        cells = _cells(line.text, where)
        if len(cells) != layout.cells:
            raise FileError(
                f"{where}: {len(cells)} cells where the first line has {layout.cells}. "
                "Separate by commas, write decimals with a point, and mend or remove this line."
            )
        text = read_number(cells[layout.value], where, layout.kind)
        check_size(text, where, layout.kind)
        return _Row(line.number, text, self._time(cells, where))

    def _time(self, cells: list[str], where: str) -> Decimal | None:
        if self._layout.dates is not None:
            return unix_seconds(read_date(cells[self._layout.dates], where))
        if self._layout.seconds is None:
            return None
        text = read_number(cells[self._layout.seconds], where, "time_s")
        if text is None:
            raise FileError(f"{where}: the time is missing. Fill it in or remove the line.")
        return check_time(Decimal(text), where)

    def _rows(self, line: IntArray, value: Decimals, time: Decimals | None) -> Rows:
        track = self._track
        for i in value.beyond(BEYOND):
            check_size(value.texts()[i], track.place(int(line[i])), self._layout.kind)
        over = None
        infinite = value.beyond(OVERRANGE_FROM)
        if infinite:
            # Only a frequency can be over range: that tells of the counter; elsewhere it is a
            # blank.
            over = np.zeros(len(line), dtype=bool)
            over[infinite] = True
            if track.kind != "frequency_hz":
                value.known[infinite] = False
                over = None
        time_s = self._times(line, time, len(line))
        self._count += len(line)
        if len(line):
            self._newest = value
        return Rows(line, time_s, value, over)

    def _times(self, line: IntArray, time: Decimals | None, count: int) -> FloatArray:
        """Return seconds since the beginning; they advance from row to row."""
        if self._layout.seconds is None and self._layout.dates is None:
            assert self._step is not None
            return of_steps(self._step, self._count, count).floats()
        assert time is not None
        for i in time.beyond(LATEST_S):
            check_time(time.at(i), self._track.place(int(line[i])))
        if self._start is None and count:
            first = time.at(0)
            dated = self._layout.dates is not None or first >= UNIX_FROM_S
            self._start = first if dated else Decimal(0)
            self._track.epoch_s = float(first) if dated else None
        time_s = time.minus(self._start or Decimal(0))
        steps = np.diff(time_s, prepend=self._last_s)
        stuck = np.flatnonzero(steps <= 0)
        if stuck.size:
            row = int(stuck[0])
            earlier = self._last_s if row == 0 else float(time_s[row - 1])
            raise FileError(
                f"{self._track.place(int(line[row]))}: the time does not advance "
                f"({earlier:.12g} s, then {time_s[row]:.12g} s). Sort the file by time and remove "
                "doubled rows; if two runs were joined, split it here."
            )
        if count:
            self._last_s = float(time_s[-1])
        return time_s

    def _is_whole(self, line: Line) -> bool:
        """Judge a last line without its line ending by its length: a cut number is no reading."""
        try:
            cells = _cells(line.text, "")
            value = read_number(cells[self._layout.value], "", "")
        except (FileError, IndexError):
            return False
        if len(cells) != self._layout.cells or value is None:
            return False
        earlier = [] if self._newest is None else self._newest.texts()[-100:]
        return len(value) >= min((len(text) for text in earlier if text), default=0)


@dataclass(frozen=True, slots=True)
class _Row:
    """One row that was read cell by cell."""

    line: int
    text: str | None
    time: Decimal | None


def _cells(text: str, where: str) -> list[str]:
    if ";" in text or "\t" in text:
        sign = "semicolons" if ";" in text else "tabs"
        raise FileError(
            f"{where}: separated by {sign}. Export the file with commas between the columns and "
            "a point for the decimals."
        )
    if '"' not in text:
        return [cell.strip() for cell in text.split(",")]
    try:
        return [
            cell.strip() for cell in next(csv.reader([text], strict=True, skipinitialspace=True))
        ]
    except csv.Error as error:
        raise FileError(f"{where}: a quotation mark is never closed. Mend the line.") from error
