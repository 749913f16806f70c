"""What the commands print: aligned tables for people, one JSON object a line for programs."""

import json
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import click

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import OffsetUnit, printable


def table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Align columns; those whose cells all begin like a number are set flush right."""
    shown = [[printable(cell, 120) for cell in row] for row in rows]
    widths = [max(len(row[k]) for row in (header, *shown)) for k in range(len(header))]
    right = [bool(shown) and all(_numeric(row[k]) for row in shown) for k in range(len(header))]

    def line(cells: Sequence[str]) -> str:
        return "  ".join(
            cell.rjust(width) if flush else cell.ljust(width)
            for cell, width, flush in zip(cells, widths, right, strict=True)
        ).rstrip()

    return "\n".join(line(row) for row in (header, *shown))


def _numeric(cell: str) -> bool:
    return not cell or cell == "-" or cell.lstrip("+-")[:1].isdigit()


def put(text: str) -> None:
    """Print data."""
    click.echo(text)


def note(text: str) -> None:
    """Narrate on standard error."""
    click.echo(f"benchwatch: {text}", err=True)


def put_json(values: Mapping[str, Any]) -> None:
    """Print one strict JSON line; what is no finite number is null."""
    put(json.dumps(_strict(values), allow_nan=False, separators=(",", ":")))


def _strict(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _strict(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_strict(inner) for inner in value]
    return value


def in_unit(fraction: float | None, unit: OffsetUnit, digits: int = 3) -> str:
    """Write a fraction in `unit` without its name, for a column that names it."""
    return "-" if fraction is None else f"{fraction / unit.size:.{digits}g}"


def iso_date(utc_s: float) -> str:
    """Write a date in UTC."""
    return datetime.fromtimestamp(utc_s, UTC).date().isoformat()


def read_moment(text: str, where: str) -> float:
    """Read an ISO 8601 date, or date and time (UTC unless it says otherwise), as Unix seconds.

    Raises:
        FileError: it is none; `where` says in which file and line.
    """
    try:
        moment = datetime.fromisoformat(text.strip())
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError) as error:
        raise FileError(
            f"{where}: '{printable(text, 40)}' is no date; write it as 2031-05-04."
        ) from error


def read_coverage(text: str) -> float:
    """Read ``95%`` or ``0.95``.

    Raises:
        UsageError: it does not lie between 0 and 1.
    """
    percent = text.strip().endswith("%")
    try:
        value = float(text.strip().removesuffix("%")) / (100.0 if percent else 1.0)
    except ValueError:
        value = math.nan
    if not 0 < value < 1:
        raise UsageError(f"'{printable(text)}' is no coverage; write 95% or 0.95.")
    return value
