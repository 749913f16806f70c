"""Reads a table of earlier visits as a person typed it, one row a visit."""

import csv
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, time
from decimal import Decimal
from typing import Final

from benchwatch.errors import FileError, QuantityError, UsageError
from benchwatch.plan import PLAUSIBLE_OFFSET
from benchwatch.quantity import parse_fraction, parse_frequency, printable
from benchwatch.recording.dates import read_moment
from benchwatch.recording.text_lines import read_lines, shown_name
from benchwatch.recording.visit_table import FIRST_VISIT_S
from benchwatch.register.registered_unit import read_ident
from benchwatch.register.visit_import import TypedOffset, TypedVisit

UNITS: Final = {"ppm": "ppm", "ppb": "ppb", "hz": "Hz", "mhz": "mHz"}
"""Units of a column, as the end of its name, and as they are written behind a number."""
OFFSET_COLUMNS: Final = ("as_found", "u_found", "as_left", "u_left")
OTHER_COLUMNS: Final = ("unit", "date", "nominal", "note")
FORMS: Final = (
    "unit,date,as_found,u,as_left,u,nominal,note, where as_found, as_left and each u may name a "
    "unit, such as as_found_ppb"
)
MOST_ROWS: Final = 100_000
LONGEST_NOTE_CHARS: Final = 1000
_LATEST_AHEAD_S: Final = 86400.0
_UNIT_LETTER: Final = re.compile(r"[^\W\d_eE]|%")
"""A letter that stands in no bare number; e is that of a power of ten."""


@dataclass(frozen=True, slots=True)
class _Column:
    """Where a column is, and the unit that its name states; empty without one."""

    index: int
    unit: str = ""


def read_typed_visits(
    path: str, nominal_of: Callable[[str], Decimal | None], now_utc_s: float
) -> list[TypedVisit]:
    """Read a table with the columns unit, date, as_found, u, as_left, u, nominal and note.

    unit, date and one of as_found and as_left are needed, the others may be left out. A ``u``
    belongs to the offset before it. A number has its unit in the cell, ``2.3ppb``, or in the name
    of its column, ``as_found_ppb``; a ``u`` without either has that of its offset's column. A date
    without a time of day is noon, local time.

    Args:
        path: the file; ``-`` is standard input.
        nominal_of: returns the nominal (hertz) of a unit, for rows that state none.
        now_utc_s: the present, Unix seconds; no visit is later.

    Raises:
        FileError: a row can't be used; the message names the line. Nothing is returned then.
    """
    source = shown_name(path)
    columns: dict[str, _Column] = {}
    separator = ","
    rows: list[TypedVisit] = []
    first_of: dict[tuple[str, str], str] = {}
    for line in read_lines(path):
        if not line.text.strip() or line.text.lstrip().startswith("#"):
            continue
        where = f"{source}, line {line.number}"
        if not columns:
            separator = ";" if line.text.count(";") > line.text.count(",") else ","
        cells = _cells(line.text, separator, where)
        if not columns:
            columns = _columns(cells, where)
            continue
        if separator == ";":  # numbers then have a decimal comma or a decimal point
            cells = _with_decimal_points(cells, columns)
        row = _row(cells, columns, where, nominal_of, now_utc_s)
        day = (row.unit, _cell(cells, columns, "date")[:10])
        if day in first_of:
            raise FileError(
                f"{where}: {row.unit} has a row of {day[1]} already, {first_of[day]}. Leave one "
                "of them."
            )
        first_of[day] = f"line {line.number}"
        rows.append(row)
        if len(rows) > MOST_ROWS:
            raise FileError(f"{where}: more than {MOST_ROWS} visits; import them in parts.")
    if not rows:
        raise FileError(f"{source} holds no visits. Its columns are {FORMS}.")
    return rows


def _cells(text: str, separator: str, where: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([text], delimiter=separator), [])]
    except csv.Error as error:
        raise FileError(f"{where}: this is no row of a table: {error}.") from error


def _with_decimal_points(cells: list[str], columns: dict[str, _Column]) -> list[str]:
    """Return the cells with a decimal comma of an offset written as a point."""
    offsets = {column.index for name, column in columns.items() if name in OFFSET_COLUMNS}
    return [
        cell.replace(",", ".") if index in offsets and "." not in cell else cell
        for index, cell in enumerate(cells)
    ]


def _columns(cells: list[str], where: str) -> dict[str, _Column]:
    """Return the columns by name.

    Raises:
        FileError: a name is not known or stands twice, or one that is needed is missing.
    """
    found: dict[str, _Column] = {}
    offset = ""
    for index, cell in enumerate(cells):
        name = cell.lower().replace(" ", "_")
        base, _, unit = name.rpartition("_")
        if unit not in UNITS:
            base, unit = name, ""
        if base == "u" and offset:
            base = f"u_{offset.removeprefix('as_')}"
            unit = unit or found[offset].unit
        if base in {"as_found", "as_left"}:
            offset = base
        known = base in OFFSET_COLUMNS or (base in OTHER_COLUMNS and not unit)
        if not known:
            raise FileError(
                f"{where}: the column '{printable(cell, 40)}' is not known. The columns are "
                f"{FORMS}."
            )
        if base in found:
            raise FileError(f"{where}: the column {base} stands there twice.")
        found[base] = _Column(index, unit)
    missing = [name for name in ("unit", "date") if name not in found]
    if missing or not {"as_found", "as_left"} & found.keys():
        missing = missing or ["as_found or as_left"]
        raise FileError(
            f"{where}: the column {missing[0]} is missing. The first row names the columns: "
            f"{FORMS}."
        )
    return found


def _cell(cells: list[str], columns: dict[str, _Column], name: str) -> str:
    column = columns.get(name)
    return cells[column.index] if column is not None and column.index < len(cells) else ""


def _row(
    cells: list[str],
    columns: dict[str, _Column],
    where: str,
    nominal_of: Callable[[str], Decimal | None],
    now_utc_s: float,
) -> TypedVisit:
    if len(cells) > len(columns):
        raise FileError(f"{where}: {len(cells)} cells under {len(columns)} columns.")
    try:
        unit = read_ident(_cell(cells, columns, "unit"))
    except UsageError as error:
        raise FileError(f"{where}: {error}") from error
    utc_s = _moment(_cell(cells, columns, "date"), where)
    if not FIRST_VISIT_S <= utc_s <= now_utc_s + _LATEST_AHEAD_S:
        shown = printable(_cell(cells, columns, "date"), 40)
        raise FileError(f"{where}: '{shown}' is no date of an earlier visit.")
    nominal = _nominal(_cell(cells, columns, "nominal"), where) or nominal_of(unit)
    as_found, as_left = (
        _offset(cells, columns, name, where, nominal) for name in ("as_found", "as_left")
    )
    if as_found is None and as_left is None:
        raise FileError(f"{where}: there is neither as found nor as left.")
    note = " ".join(_cell(cells, columns, "note").split())
    return TypedVisit(
        where=where,
        unit=unit,
        utc_s=utc_s,
        nominal_hz=nominal,
        as_found=as_found,
        as_left=as_left,
        note=printable(note, LONGEST_NOTE_CHARS),
    )


def _moment(text: str, where: str) -> float:
    """Read a date, which is taken as noon, or a date and time; both local without a zone."""
    utc_s = read_moment(text, where)
    try:
        moment = datetime.fromisoformat(text.strip())
        if moment.tzinfo is None:
            at = time(12) if len(text.strip()) <= 10 else moment.time()
            utc_s = datetime.combine(moment.date(), at).astimezone().timestamp()
    except (ValueError, OverflowError, OSError):
        pass  # at the ends of the calendar; refused by its year
    return utc_s


def _nominal(text: str, where: str) -> Decimal | None:
    if not text:
        return None
    try:
        return parse_frequency(text)
    except QuantityError as error:
        raise FileError(f"{where}, column nominal: {error}") from error


def _offset(
    cells: list[str],
    columns: dict[str, _Column],
    name: str,
    where: str,
    nominal: Decimal | None,
) -> TypedOffset | None:
    offset = _fraction(cells, columns, name, where, nominal)
    u_name = f"u_{name.removeprefix('as_')}"
    u = _fraction(cells, columns, u_name, where, nominal)
    if offset is None:
        if u is not None:
            raise FileError(f"{where}: there is a {u_name} without {name}.")
        return None
    if u is not None and u < 0:
        raise FileError(f"{where}, column {u_name}: an uncertainty can't be negative.")
    return TypedOffset(offset=offset, u=u or None)


def _bare(text: str) -> bool:
    """Return whether a number stands in a cell without a unit of its own."""
    return not _UNIT_LETTER.search(text)


def _fraction(
    cells: list[str],
    columns: dict[str, _Column],
    name: str,
    where: str,
    nominal: Decimal | None,
) -> float | None:
    """Read one cell as a fraction; None where it is empty."""
    text = _cell(cells, columns, name)
    if not text:
        return None
    unit = columns[name].unit
    try:
        found = parse_fraction(f"{text} {UNITS[unit]}" if unit and _bare(text) else text, nominal)
    except QuantityError as error:
        raise FileError(f"{where}, column {name}: {error}") from error
    if not abs(found) <= float(PLAUSIBLE_OFFSET):
        raise FileError(
            f"{where}, column {name}: '{printable(text, 40)}' is no plausible offset. Write its "
            "unit, such as 2.3ppb, or name the column as_found_ppb."
        )
    return found
