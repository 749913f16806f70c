"""Options of the commands that work on recorded files, and reading these files."""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from functools import wraps
from typing import Any, Final

import click

from benchwatch.commands.common.option_types import DURATION, PERIOD
from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.shared_options import nominal_option
from benchwatch.recording import COLUMNS, Column, Recording, read_recording, read_recordings

column_option: Final = click.option(
    "--column", type=click.Choice(COLUMNS), help="What the numbers are."
)
row_interval_option: Final = click.option(
    "--interval", "interval_s", type=DURATION, help="Time from row to row."
)
wraps_option: Final = click.option(
    "--wraps",
    type=PERIOD,
    help="A time error (phase_s) begins anew after this, such as 100ns: steps of it are put right.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingOptions:
    """What was typed of the files; None: not stated."""

    nominal: Decimal | None = None
    """Hertz."""
    column: Column | None = None
    """What the numbers are."""
    interval_s: float | None = None
    """From row to row."""
    wraps_s: Decimal | None = None
    """Seconds after which a time error begins anew."""

    def read_one(self, file: str, counter: str | None) -> Recording:
        """Read the offsets of one counter, and narrate what is odd about the file.

        Args:
            file: its path; ``-`` is standard input.
            counter: its name, where the file holds several.

        Raises:
            FileError: what is wrong in which line.
            UsageError: a nominal or a name is needed.
        """
        recording = read_recording(
            file,
            nominal=self.nominal,
            column=self.column,
            interval_s=self.interval_s,
            wraps_s=self.wraps_s,
            counter=counter,
            offsets_only=True,
        )
        for sentence in recording.notes:
            narrate(sentence)
        return recording

    def read_all(self, file: str) -> tuple[Recording, ...]:
        """Read all counters of a file; raises and narrates like `read_one`."""
        recordings = read_recordings(
            file,
            nominal=self.nominal,
            column=self.column,
            interval_s=self.interval_s,
            wraps_s=self.wraps_s,
        )
        for recording in recordings:
            for sentence in recording.notes:
                narrate(sentence)
        return recordings


def file_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command ``--nominal``, ``--column``, ``--interval`` and ``--wraps``, as `stated`."""

    @nominal_option
    @column_option
    @row_interval_option
    @wraps_option
    @wraps(command)
    def with_files(
        *args: Any,
        nominal: Decimal | None,
        column: Column | None,
        interval_s: float | None,
        wraps: Decimal | None,
        **rest: Any,
    ) -> Any:
        return command(
            *args,
            stated=RecordingOptions(
                nominal=nominal, column=column, interval_s=interval_s, wraps_s=wraps
            ),
            **rest,
        )

    return with_files
