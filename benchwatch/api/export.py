"""Exports recordings into files: CSV, JSON lines or Parquet, by the ending of the name."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import BinaryIO, Final

from benchwatch.api.export_lines import Written, ignored, write_json_lines
from benchwatch.api.export_rows import losses, phase_loss
from benchwatch.api.export_tables import write_csv, write_parquet
from benchwatch.errors import UsageError
from benchwatch.quantity import listed, printable
from benchwatch.recording import Recording
from benchwatch.report.whole_file import shown_path, write_whole


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportForm:
    """A form in which recordings are exported."""

    name: str
    write: Callable[[Mapping[str, Recording], BinaryIO, Written], None]
    several: bool
    """Whether one file holds several counters."""
    losses: Callable[[Recording], list[str]]
    """Sentences on what the form can't say of a recording."""
    is_text: bool = True


EXPORT_FORMS: Final = {
    form.name: form
    for form in (
        ExportForm(name="csv", write=write_csv, several=False, losses=losses),
        ExportForm(name="jsonl", write=write_json_lines, several=True, losses=phase_loss),
        ExportForm(
            name="parquet", write=write_parquet, several=False, losses=losses, is_text=False
        ),
    )
}
"""The forms by name, which is the ending of a file in that form."""

Recordings = Recording | Mapping[str, Recording]
"""The recording of one counter, or recordings by the names of their counters."""


def export(recordings: Recordings, path: str | PathLike[str]) -> Path:
    """Export recordings into a new file and return its path.

    The ending says in which form: ``.csv`` and ``.parquet`` are tables of one counter, ``.jsonl``
    are the JSON lines of a watch, of one counter or several. `read_file` reads each of them back:
    the same numbers to the last digit. Of a table it reads the times and the numbers only: flags,
    gates and corrections are read back from JSON lines.

    Args:
        recordings: of one counter, or of several by name.
        path: of the file, which must not be there yet; it is written whole or not at all.

    Raises:
        UsageError: the ending is that of no form, the form holds one counter only, or the file is
            there.
        FileError: the file can't be written.
    """
    place = Path(path)
    write_export(by_name(recordings), place, form_of(place))
    return place


def write_export(
    recordings: Mapping[str, Recording], path: Path, form: ExportForm, written: Written = ignored
) -> None:
    """Write recordings into a new file in a form; raises as `export`.

    Args:
        recordings: by name.
        path: of the file.
        form: the form.
        written: is told how many rows were written.
    """
    refuse_several(recordings, form)

    def write(sink: BinaryIO) -> None:
        form.write(recordings, sink, written)

    write_whole(path, write, replaces=False)


def form_of(path: Path) -> ExportForm:
    """Return the form that the ending of a file's name says.

    Raises:
        UsageError: no form has that ending.
    """
    form = EXPORT_FORMS.get(path.suffix.lower().removeprefix("."))
    if form is None:
        endings = listed(f".{name}" for name in EXPORT_FORMS)
        raise UsageError(
            f"{shown_path(path)}: the ending says in which form readings are exported: {endings}."
        )
    return form


def refuse_several(recordings: Mapping[str, Recording], form: ExportForm) -> None:
    """Refuse several counters where a form holds one, and none at all.

    Raises:
        UsageError: so it is.
    """
    if not recordings:
        raise UsageError("there is no recording to export.")
    if len(recordings) > 1 and not form.several:
        names = listed(printable(name, 40) for name in recordings)
        raise UsageError(
            f"a table in the form {form.name} holds one counter, and there are several: {names}. "
            "Choose one, or export .jsonl, which holds all."
        )


def by_name(recordings: Recordings) -> Mapping[str, Recording]:
    """Return recordings by the names of their counters."""
    return {recordings.name: recordings} if isinstance(recordings, Recording) else recordings
