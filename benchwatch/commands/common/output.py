"""What the commands print: aligned tables for people, one JSON object a line for programs."""

import json
import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import click

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import printable


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
