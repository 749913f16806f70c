"""``benchwatch export``: writes recorded readings into files that other programs read."""

import io
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import click

from benchwatch.api.export import EXPORT_FORMS, ExportForm, form_of, refuse_several, write_export
from benchwatch.commands.common.chosen_runs import RecordedSource
from benchwatch.commands.common.output import narrate
from benchwatch.commands.common.progress import progress
from benchwatch.commands.common.recorded_source import (
    refuse_two_counters,
    source_options,
)
from benchwatch.commands.common.recording_options import RecordingOptions, file_options
from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import how_many, listed, printable
from benchwatch.recording import Recording
from benchwatch.report.whole_file import shown_path

STANDARD_OUTPUT: Final = "-"


@dataclass(slots=True)
class _Position:
    """How much of an export is written."""

    total: int
    written: int = 0

    def add(self, rows: int) -> None:
        """Count rows that were written."""
        self.written += rows

    def fraction(self) -> float:
        """Return the part that is written, 0 to 1."""
        return min(self.written / max(self.total, 1), 1.0)


@click.command()
@source_options()
@file_options
@click.option("--counter", help="Which counter, where several were watched.")
@click.option(
    "--out",
    "outs",
    metavar="PATH",
    multiple=True,
    help="Write this file: .csv, .jsonl or .parquet; - is standard output. May be given again.",
)
@click.option("--form", type=click.Choice(tuple(EXPORT_FORMS)), help="The form, with --out - only.")
def export(
    *,
    source: RecordedSource,
    stated: RecordingOptions,
    counter: str | None,
    outs: tuple[str, ...],
    form: str | None,
) -> None:
    """Write the readings of FILE, of a run or of a visit into files for other programs.

    A table (.csv, .parquet) has the readings of one counter: time_s, time, frequency_hz as the
    counter wrote it, the fractional offset, gate, flags and the time base's correction. JSON lines
    (.jsonl) are those of watch, with gaps and notes, of all counters. Both are read back by replay
    and stability with the same numbers; what a table loses of them is said. Without FILE the
    journal is read, as replay does.

    A file is written whole or not at all, and one that is there stays as it is.
    """
    forms = _forms(outs, form)
    if not all(one.several for one in forms.values()):
        refuse_two_counters(source, counter)
    recordings = _chosen(stated.read_all(source), counter)
    for one in forms.values():
        refuse_several(recordings, one)
    rows = sum(map(len, recordings.values()))
    for out, one in forms.items():
        position = _Position(total=rows)
        with progress(f"writing {printable(out, 100)}", position.fraction):
            if out == STANDARD_OUTPUT:
                _write_to_output(recordings, one, position)
            else:
                write_export(recordings, Path(out), one, position.add)
        for recording in recordings.values():
            for sentence in one.losses(recording):
                narrate(sentence)
        if out != STANDARD_OUTPUT:
            narrate(f"{shown_path(Path(out))} has {_amount(recordings)}")


def _forms(outs: tuple[str, ...], form: str | None) -> dict[str, ExportForm]:
    """Return the form of each output.

    Raises:
        UsageError: there is no output, one is given twice, or its form is not known.
    """
    if not outs:
        raise UsageError(
            "where to? Type --out readings.csv (or .jsonl, .parquet), or --out - --form csv."
        )
    if len({STANDARD_OUTPUT if out == STANDARD_OUTPUT else str(Path(out).absolute())
            for out in outs}) < len(outs):  # fmt: skip
        raise UsageError("the same file is asked for twice.")
    if form is not None and STANDARD_OUTPUT not in outs:
        raise UsageError("--form is for --out -; of a file the ending says it: leave --form out.")
    if STANDARD_OUTPUT in outs and form is None:
        raise UsageError("--out - needs to know the form: add --form csv, jsonl or parquet.")
    found = {
        out: EXPORT_FORMS[form or ""] if out == STANDARD_OUTPUT else form_of(Path(out))
        for out in outs
    }
    for out in found:
        if out != STANDARD_OUTPUT and Path(out).is_symlink() | Path(out).exists():
            raise UsageError(
                f"{shown_path(Path(out))} exists, and stays as it is. Choose another name."
            )
    return found


def _chosen(recordings: tuple[Recording, ...], counter: str | None) -> Mapping[str, Recording]:
    """Return the recordings by name; of one counter where that was typed.

    Raises:
        UsageError: no counter has that name.
    """
    found = {recording.name: recording for recording in recordings}
    if counter is None:
        return found
    if counter not in found:
        names = listed(printable(name, 40) for name in found)
        raise UsageError(f"no counter '{printable(counter, 40)}' was recorded; there are: {names}.")
    return {counter: found[counter]}


def _write_to_output(
    recordings: Mapping[str, Recording], form: ExportForm, position: _Position
) -> None:
    """Write recordings to standard output.

    Raises:
        UsageError: the form is no text, and standard output is a terminal.
        FileError: standard output can't be written.
    """
    if form.is_text:
        form.write(recordings, _TextSink(), position.add)
        sys.stdout.flush()
        return
    if sys.stdout.isatty():
        raise UsageError(f"the form {form.name} is no text: send it into a file or a pipe.")
    content = io.BytesIO()
    form.write(recordings, content, position.add)
    sys.stdout.flush()
    try:
        sys.stdout.buffer.write(content.getbuffer())
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise FileError(
            f"standard output can't be written: {error.strerror}. Send it elsewhere, or make room."
        ) from error


class _TextSink(io.BytesIO):
    """Takes the bytes of a text form and prints them as text on standard output."""

    def write(self, content: "bytes | bytearray | memoryview") -> int:  # type: ignore[override]
        """Print ASCII text."""
        sys.stdout.write(bytes(content).decode("ascii"))
        return len(content)


def _amount(recordings: Mapping[str, Recording]) -> str:
    readings = sum(map(len, recordings.values()))
    of = f" of {how_many(len(recordings), 'counter')}" if len(recordings) > 1 else ""
    return how_many(readings, "reading") + of
