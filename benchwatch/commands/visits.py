"""Dated offsets of an oscillator, a row a visit, from a file."""

import csv
from dataclasses import dataclass
from datetime import UTC, datetime

from benchwatch.commands.tables import read_moment
from benchwatch.errors import FileError, QuantityError
from benchwatch.quantity import parse_fraction, printable
from benchwatch.recording.text import read_lines, shown_name

COLUMNS = ("date", "offset")
FIRST_VISIT_S = datetime(1900, 1, 1, tzinfo=UTC).timestamp()
AFTER_LAST_VISIT_S = datetime(3000, 1, 1, tzinfo=UTC).timestamp()


@dataclass(frozen=True, slots=True)
class Visits:
    """Dated offsets as a file has them, in the order of time."""

    utc_s: tuple[float, ...]
    offsets: tuple[float, ...]


def read_visits(path: str) -> Visits:
    """Read a table with the columns ``date`` (ISO 8601) and ``offset`` (a fraction, or ``2 ppb``).

    Raises:
        FileError: it is no such table; the message names the line and what was expected.
    """
    source = shown_name(path)
    columns: tuple[int, int] | None = None
    found: list[tuple[float, float]] = []
    for line in read_lines(path):
        if not line.text.strip() or line.text.lstrip().startswith("#"):
            continue
        where = f"{source}, line {line.number}"
        cells = [cell.strip() for cell in next(csv.reader([line.text]), [])]
        if columns is None:
            columns = _columns(cells, where)
            continue
        if len(cells) <= max(columns):
            raise FileError(f"{where}: {len(cells)} cells; a date and an offset are expected.")
        moment = read_moment(cells[columns[0]], where)
        if not FIRST_VISIT_S <= moment < AFTER_LAST_VISIT_S:
            raise FileError(
                f"{where}: '{printable(cells[columns[0]], 40)}' is no date of a visit; "
                "the years 1900 to 2999 are."
            )
        found.append((moment, _offset(cells[columns[1]], where)))
    if columns is None or not found:
        raise FileError(
            f"{source} holds no dated offsets. Write a header 'date,offset' and a row a visit, "
            "such as 2031-05-04,2.3ppb."
        )
    found.sort()
    return Visits(tuple(at for at, _ in found), tuple(offset for _, offset in found))


def _columns(cells: list[str], where: str) -> tuple[int, int]:
    names = [cell.lower() for cell in cells]
    if not all(name in names for name in COLUMNS):
        raise FileError(
            f"{where}: the header is '{printable(','.join(cells))}'; expected are the columns "
            "date and offset."
        )
    return names.index("date"), names.index("offset")


def _offset(cell: str, where: str) -> float:
    try:
        return parse_fraction(cell)
    except QuantityError as error:
        raise FileError(f"{where}, column offset: {error}") from error
