"""What the caller states on the columns of a table."""

from dataclasses import dataclass
from typing import Final

from benchwatch.quantity import listed
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

    def unused_note(self, source: str, form: str) -> list[str]:
        """Return one note where something is stated of a file that is no table; else none.

        Args:
            source: name of the file.
            form: what the file is, such as ``a journal``.
        """
        stated = {
            "--column": self.column,
            "--time-column": self.time_column,
            "--value-column": self.value_column,
        }
        names = [name for name, value in stated.items() if value is not None]
        if not names:
            return []
        says = "says" if len(names) == 1 else "say"
        columns = f"{source} is {form}, in which times and numbers have their names"
        return [f"{columns}: {listed(names)} {says} nothing of it."]
