"""Comma-separated tables: a header and rows, or one column of bare numbers."""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import chain
from typing import Final

from benchwatch.errors import FileError
from benchwatch.quantity import printable
from benchwatch.recording.record import KINDS, Kind
from benchwatch.recording.rows import (
    Rows,
    check_size,
    check_time,
    exact_seconds,
    is_number,
    place,
    read_date,
    read_number,
)
from benchwatch.recording.text import Line

UNIX_FROM_S: Final = 1_000_000_000
"""Seconds from which a time column is taken as Unix time (this is the year 2001)."""

_FORMS: Final = "time_s or time, and one of " + ", ".join(KINDS)


@dataclass(frozen=True, slots=True)
class Layout:
    """Which cell of a row is what."""

    kind: Kind
    value: int
    seconds: int | None
    dates: int | None
    cells: int


def read_table(
    source: str, lines: Iterator[Line], column: Kind | None, interval_s: float | None
) -> Rows:
    """Read the rows of a table.

    Args:
        source: name of the file, for messages.
        lines: its lines, without comments and empty ones.
        column: what the numbers are, where the header does not say.
        interval_s: time from row to row, where the file has no times.

    Raises:
        FileError: the text is no such table.
    """
    first = next(lines)
    layout, headed, notes = _layout(source, first, column)
    if layout.seconds is None and layout.dates is None and interval_s is None:
        raise FileError(
            f"{source}: has no times. Add a column time_s (seconds) or time (ISO 8601), or give "
            "the time from reading to reading, such as --interval 1s."
        )
    reader = _Reader(Rows(source, layout.kind, notes=notes), layout, interval_s)
    reader.take_all(lines if headed else chain([first], lines))
    return reader.rows


def _layout(source: str, first: Line, column: Kind | None) -> tuple[Layout, bool, list[str]]:
    where = place(source, first.number)
    cells = _cells(first.text, where)
    names = [cell.lower() for cell in cells]
    found = [name for name in KINDS if name in names and column in {None, name}]
    if found:
        notes = []
        if len(found) > 1:
            notes.append(f"{source}: columns {', '.join(found)}; {found[0]} is used.")
        doubled = next((name for name in names if name in KINDS and names.count(name) > 1), None)
        if doubled:
            raise FileError(f"{where}: two columns are named {doubled}; rename one.")
        seconds = names.index("time_s") if "time_s" in names else None
        dates = names.index("time") if "time" in names and seconds is None else None
        return Layout(found[0], names.index(found[0]), seconds, dates, len(cells)), True, notes
    headed = not is_number(cells[-1])
    if len(cells) == 1 and column is not None:
        skipped = [f"{where}: '{printable(cells[0], 40)}' is taken as a title."] if headed else []
        return Layout(column, 0, None, None, 1), headed, skipped
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


class _Reader:
    """Takes lines one by one, and holds back what only the end of the file can tell."""

    def __init__(self, rows: Rows, layout: Layout, interval_s: float | None) -> None:
        self.rows = rows
        self._layout = layout
        self._step = None if interval_s is None else Decimal(repr(interval_s))
        self._start: Decimal | None = None
        self._first_date = None if layout.dates is None else ""

    def take_all(self, lines: Iterator[Line]) -> None:
        """Take every line; a half-written last one is left out with a note."""
        for line in lines:
            if line.ended:
                self._take(line)
                continue
            if self._is_whole(line):
                self._take(line)
            else:
                self.rows.notes.append(
                    f"{place(self.rows.source, line.number)}: the last line is half written "
                    f"('{printable(line.text, 40)}') and left out."
                )

    def _take(self, line: Line) -> None:
        layout, rows = self._layout, self.rows
        where = place(rows.source, line.number)
        cells = _cells(line.text, where)
        if len(cells) != layout.cells:
            raise FileError(
                f"{where}: {len(cells)} cells where the first line has {layout.cells}. "
                "Separate by commas, write decimals with a point, and mend or remove this line."
            )
        text = read_number(cells[layout.value], where, layout.kind)
        check_size(text, where, layout.kind)
        rows.text.append(text)
        rows.line.append(line.number)
        rows.time.append(self._time(cells, where))

    def _time(self, cells: list[str], where: str) -> Decimal:
        layout, rows = self._layout, self.rows
        if layout.dates is not None:
            moment = read_date(cells[layout.dates], where)
            if rows.epoch_s is None:
                rows.epoch_s = moment.timestamp()
                self._origin = moment
                if not cells[layout.dates].endswith(("Z", "z")) and "+" not in cells[layout.dates]:
                    rows.notes.append(f"{where}: times without a zone are taken as UTC.")
            return exact_seconds(moment, self._origin)
        if layout.seconds is None:
            assert self._step is not None
            return self._step * (len(rows.line) - 1)
        text = read_number(cells[layout.seconds], where, "time_s")
        if text is None:
            raise FileError(f"{where}: the time is missing. Fill it in or remove the line.")
        seconds = check_time(Decimal(text), where)
        if self._start is None:
            self._start = Decimal(0)
            if seconds >= UNIX_FROM_S:
                self._start = seconds
                rows.epoch_s = float(seconds)
        return seconds - self._start

    def _is_whole(self, line: Line) -> bool:
        """Judge a last line without its line ending by its length: a cut number is no reading."""
        try:
            cells = _cells(line.text, "")
            value = read_number(cells[self._layout.value], "", "")
        except (FileError, IndexError):
            return False
        if len(cells) != self._layout.cells or value is None:
            return False
        earlier = [text for text in self.rows.text[-100:] if text is not None]
        return not earlier or len(value) >= min(map(len, earlier))


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
