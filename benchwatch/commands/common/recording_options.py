"""Options of the commands that read recorded files, and functions that read with them."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass
from decimal import Decimal
from functools import wraps
from typing import Any, Final

import click

from benchwatch.commands.common.chosen_runs import RecordedSource
from benchwatch.commands.common.option_types import DURATION, PERIOD
from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.progress import progress
from benchwatch.commands.common.recorded_source import (
    refuse_two_counters,
    say_counters,
)
from benchwatch.commands.common.shared_options import nominal_option
from benchwatch.recording import (
    COLUMNS,
    Column,
    ReadPosition,
    Recording,
    read_recording,
    read_recordings,
)
from benchwatch.recording.text_lines import shown_name

column_option: Final = click.option(
    "--column", type=click.Choice(COLUMNS), help="What the numbers are."
)
row_interval_option: Final = click.option(
    "--interval", "interval_s", type=DURATION, help="Time from row to row."
)
time_column_option: Final = click.option(
    "--time-column",
    metavar="NAME|N",
    help="Heading or number of the column of times; none leaves the file's times out.",
)
value_column_option: Final = click.option(
    "--value-column", metavar="NAME|N", help="Heading or number of the column of numbers."
)
wraps_option: Final = click.option(
    "--wraps",
    type=PERIOD,
    help="A time error (phase_s) begins anew after this, such as 100ns: steps of it are put right.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingOptions:
    """Typed options on how to read recorded files; None: not typed.

    The fields are arguments of `benchwatch.recording.read_recordings`.
    """

    nominal: Decimal | None = None
    """Hertz."""
    column: Column | None = None
    """Quantity of a single column of numbers."""
    interval_s: float | None = None
    """Time from row to row."""
    time_column: str | None = None
    """Heading or number of a table's column of times."""
    value_column: str | None = None
    """Heading or number of its column of numbers."""
    wraps_s: Decimal | None = None
    """Period in seconds after which a time error wraps to its start."""

    def read_one(self, source: RecordedSource, counter: str | None) -> Recording:
        """Read the offsets of one counter, and narrate the notes on the file.

        Args:
            source: the file, or runs of a journal.
            counter: name of the counter, needed if the file holds several.

        Raises:
            FileError: the file can't be read; the message names the line.
            UsageError: a nominal or a counter's name is needed.
        """
        refuse_two_counters(source, counter)
        say_counters(source)
        position = ReadPosition()
        with _reading(source, position):
            recording = read_recording(
                source.path,
                counter=counter,
                offsets_only=True,
                selection=source.selection,
                position=position,
                **asdict(self),
            )
        for sentence in recording.notes:
            narrate(sentence)
        return recording

    def read_all(self, source: RecordedSource) -> tuple[Recording, ...]:
        """Read all counters of a file, with the errors and notes of `read_one`."""
        say_counters(source)
        position = ReadPosition()
        with _reading(source, position):
            recordings = read_recordings(
                source.path, selection=source.selection, position=position, **asdict(self)
            )
        for recording in recordings:
            for sentence in recording.notes:
                narrate(sentence)
        return recordings


def _reading(source: RecordedSource, position: ReadPosition) -> AbstractContextManager[None]:
    return progress(f"reading {shown_name(source.path)}", position.fraction)


def file_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of `RecordingOptions` to a command, which gets them as `stated`."""

    @nominal_option
    @column_option
    @row_interval_option
    @time_column_option
    @value_column_option
    @wraps_option
    @wraps(command)
    def with_files(
        *args: Any,
        nominal: Decimal | None,
        column: Column | None,
        interval_s: float | None,
        time_column: str | None,
        value_column: str | None,
        wraps: Decimal | None,
        **rest: Any,
    ) -> Any:
        return command(
            *args,
            stated=RecordingOptions(
                nominal=nominal,
                column=column,
                interval_s=interval_s,
                time_column=time_column,
                value_column=value_column,
                wraps_s=wraps,
            ),
            **rest,
        )

    return with_files
