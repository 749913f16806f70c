"""Reads a table of dated offsets of an oscillator, one row a visit."""

import csv
from dataclasses import dataclass
from datetime import UTC, datetime

from benchwatch.errors import FileError, QuantityError
from benchwatch.quantity import parse_fraction, printable
from benchwatch.recording.dates import read_moment
from benchwatch.recording.recorded_run import PARTS
from benchwatch.recording.text_lines import read_lines, shown_name

DATE_COLUMN, OFFSET_COLUMN = "date", "offset"
FIRST_VISIT_S = datetime(1900, 1, 1, tzinfo=UTC).timestamp()
AFTER_LAST_VISIT_S = datetime(3000, 1, 1, tzinfo=UTC).timestamp()


@dataclass(frozen=True, slots=True)
class Visits:
    """Dated offsets, in the order of time."""

    utc_s: tuple[float, ...]
    """Unix seconds of each visit."""
    offsets: tuple[float, ...]
    """Fractional offset at each visit."""


def read_visits(path: str) -> Visits:
    """Read a table with the columns ``date`` (ISO 8601) and ``offset`` (a fraction, or ``2 ppb``).

    The offset may be a bare number in a column ``offset_ppm``, ``offset_ppb`` or ``offset_1e-12``.
    Without a header each row is a date and an offset.

    Raises:
        FileError: the file is no such table; the message names the line and what was expected.
    """
    source = shown_name(path)
    columns: _Columns | None = None
    found: list[tuple[float, float]] = []
    for line in read_lines(path):
        if not line.text.strip() or line.text.lstrip().startswith("#"):
            continue
        where = f"{source}, line {line.number}"
        cells = [cell.strip() for cell in next(csv.reader([line.text]), [])]
        if columns is None:
            if _is_visit(cells):  # no header: a date and an offset
                columns = _Columns(0, 1, 1)
            else:
                columns = _columns(cells, where)
                continue
        if len(cells) <= max(columns.date, columns.offset):
            raise FileError(f"{where}: {len(cells)} cells; a date and an offset are expected.")
        moment = read_moment(cells[columns.date], where)
        if not FIRST_VISIT_S <= moment < AFTER_LAST_VISIT_S:
            raise FileError(
                f"{where}: '{printable(cells[columns.date], 40)}' is no date of a visit; "
                "the years 1900 to 2999 are."
            )
        found.append((moment, _offset(cells[columns.offset], columns.parts, where)))
    if columns is None or not found:
        raise FileError(
            f"{source} holds no dated offsets. Write a row a visit, such as 2031-05-04,2.3ppb."
        )
    found.sort()
    return Visits(tuple(at for at, _ in found), tuple(offset for _, offset in found))


@dataclass(frozen=True, slots=True)
class _Columns:
    """The columns, as indices of cells, and the unit of the offset: how many of it make 1."""

    date: int
    offset: int
    parts: int


def _is_visit(cells: list[str]) -> bool:
    try:
        read_moment(cells[0], "")
        parse_fraction(cells[1])
    except (IndexError, FileError, QuantityError):
        return False
    return True


def _columns(cells: list[str], where: str) -> _Columns:
    names = [cell.lower() for cell in cells]
    known: dict[str, int] = {OFFSET_COLUMN: 1}
    known.update(PARTS.items())
    offset = next((name for name in names if name in known), None)
    if DATE_COLUMN not in names or offset is None:
        raise FileError(
            f"{where}: the header is '{printable(','.join(cells))}'; expected are the columns "
            "date and offset."
        )
    return _Columns(names.index(DATE_COLUMN), names.index(offset), known[offset])


def _offset(cell: str, parts: int, where: str) -> float:
    try:
        if parts == 1:
            return parse_fraction(cell)
        return parse_fraction(f"{cell} parts in 10^{len(str(parts)) - 1}")
    except QuantityError as error:
        raise FileError(f"{where}, column offset: {error}") from error
