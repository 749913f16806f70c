"""Finds the columns of a table by its first line, and splits lines into cells."""

import csv
from dataclasses import dataclass
from typing import Final

from benchwatch.errors import FileError
from benchwatch.quantity import printable
from benchwatch.recording.recorded_run import COLUMNS, PARTS, Column, ColumnKind, kind_of
from benchwatch.recording.rows import is_number, location
from benchwatch.recording.text_lines import TextLine

_FORMS: Final = "time_s or time, and one of " + ", ".join(COLUMNS)


@dataclass(frozen=True, slots=True, kw_only=True)
class TableColumns:
    """The columns of a table; a column is the index of its cell in a row."""

    kind: ColumnKind
    """Quantity of the numbers."""
    parts: int
    """How many of the column's unit make 1: 10^9 for offsets in ppb."""
    value: int
    """Column of the numbers."""
    seconds: int | None
    """Column of times in seconds, if any."""
    dates: int | None
    """Column of dates, if there is none of seconds."""
    cells: int
    """Number of cells in a row."""


def find_columns(
    source: str, first: TextLine, column: Column | None
) -> tuple[TableColumns, bool, list[str]]:
    """Find the columns by a table's first line.

    Args:
        source: name of the file, for messages.
        first: first line that is neither empty nor a comment.
        column: column of the numbers, where the header names none or several.

    Returns:
        The columns, whether the line is a header, and notes on choices made.

    Raises:
        FileError: the line is neither a known header nor a lone number.
    """
    where = location(source, first.number)
    cells = split_cells(first.text, where)
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
        columns = TableColumns(
            kind=kind_of(found[0]),
            parts=parts,
            value=value,
            seconds=seconds,
            dates=dates,
            cells=len(cells),
        )
        return columns, True, notes
    headed = not is_number(cells[-1])
    if len(cells) == 1 and column is not None:
        skipped = [f"{where}: '{printable(cells[0], 40)}' is taken as a title."] if headed else []
        kind, parts = kind_of(column), PARTS.get(column, 1)
        return (
            TableColumns(kind=kind, parts=parts, value=0, seconds=None, dates=None, cells=1),
            headed,
            skipped,
        )
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


def split_cells(text: str, where: str) -> list[str]:
    """Split a line at its commas, except inside quotation marks, as spreadsheets write them.

    Raises:
        FileError: the cells are separated by semicolons or tabs, or a quotation mark is never
            closed; the message begins with `where`.
    """
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
