"""What the caller states on the columns of a table."""

from dataclasses import dataclass
from typing import Final

from benchwatch.recording.recorded_run import Column

NO_TIME_COLUMN: Final = "none"
"""Stands for the name of the column of times where the file's own times are not to be read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRequest:
    """What the caller states on the columns of a table; None: not stated."""

    column: Column | None = None
    """What the numbers are."""
    interval_s: float | None = None
    """Seconds from row to row."""
    time_column: str | None = None
    """Heading or number (from 1) of the column of times; ``none``: its times are not read."""
    value_column: str | None = None
    """Heading or number (from 1) of the column of numbers."""
