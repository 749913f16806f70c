"""Recorded files, runs of a journal and visits as recordings: arrays of numbers."""

import time
from dataclasses import replace
from os import PathLike, fspath
from pathlib import Path

from benchwatch.api.journal_paths import journal_path
from benchwatch.api.quantities import (
    Duration,
    Frequency,
    decimal_seconds,
    hertz_or_none,
    seconds_or_none,
)
from benchwatch.api.registered import find_visit
from benchwatch.errors import UsageError
from benchwatch.journal import run_list
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.journal.run_list import ListedRun
from benchwatch.quantity import how_many, printable
from benchwatch.recording import Column, Recording, Selection, read_recording, read_recordings
from benchwatch.recording.journal_rows import is_journal
from benchwatch.recording.run_selection import there_with_readings
from benchwatch.recording.text_lines import shown_name
from benchwatch.recording.visit_counters import APART, counter_names, counters_of, measured_by

FilePath = str | PathLike[str]
"""Path of a file."""
TableColumn = str | int
"""A column of a table: its heading, or its number from 1."""


def read_file(
    path: FilePath,
    *,
    counter: str | None = None,
    nominal: Frequency | None = None,
    column: Column | None = None,
    interval: Duration | None = None,
    time_column: TableColumn | None = None,
    value_column: TableColumn | None = None,
    wraps: Duration | None = None,
) -> Recording:
    """Read the recording of one counter from a file.

    The file is a table (CSV, Parquet), JSON lines, or a journal, of which the newest watch is read.

    Args:
        path: of the file; ``-``: standard input.
        counter: name of the counter, where the file holds several.
        nominal: of the oscillator; None: as the file says, or the round number near the readings.
        column: what the numbers are, where no header says it, such as ``frequency_hz``.
        interval: from row to row, where the file has no times.
        time_column: heading or number (from 1) of the column of times; None: found by its heading;
            ``none``: the file's own times are not read.
        value_column: heading or number of the column of numbers; None: found by its heading.
        wraps: the period after which a time error begins anew.

    Returns:
        The recording. Its `time_s`, `offset` and `offset_hz` are arrays, (n,); its `notes` say
        what was assumed or left out.

    Raises:
        FileError: the file can't be read; the message names the line.
        UsageError: the nominal, or the name of a counter, is needed.
    """
    return read_recording(
        fspath(path),
        counter=counter,
        nominal=hertz_or_none(nominal),
        column=column,
        interval_s=seconds_or_none(interval),
        time_column=_column_words(time_column),
        value_column=_column_words(value_column),
        wraps_s=decimal_seconds(wraps),
    )


def read_counters(
    path: FilePath,
    *,
    nominal: Frequency | None = None,
    column: Column | None = None,
    interval: Duration | None = None,
    time_column: TableColumn | None = None,
    value_column: TableColumn | None = None,
    wraps: Duration | None = None,
) -> dict[str, Recording]:
    """Read the recordings of all counters in a file, by name; arguments as for `read_file`.

    A counter that the file does not name is called ``main``.

    Raises:
        FileError: the file can't be read; the message names the line.
        UsageError: the nominal is needed.
    """
    found = read_recordings(
        fspath(path),
        nominal=hertz_or_none(nominal),
        column=column,
        interval_s=seconds_or_none(interval),
        time_column=_column_words(time_column),
        value_column=_column_words(value_column),
        wraps_s=decimal_seconds(wraps),
    )
    return {recording.name: recording for recording in found}


def read_run(
    number: int | None = None, *, journal: FilePath | None = None, counter: str | None = None
) -> Recording:
    """Read one run of a journal.

    Args:
        number: of the run, as `list_runs` gives it; None: the newest watch of real counters that
            has readings, else of simulated ones.
        journal: the journal; None: the one that a watch writes where none is named.
        counter: name of the counter, where the newest watch had several.

    Raises:
        UsageError: there is no journal, no such run, or the name of a counter is needed.
        FileError: the journal can't be read.
    """
    path = _journal_path(journal)
    chosen = None
    if number is not None:
        with JournalReader(path) as reader:
            found = next((run for run in reader.runs() if run.number == number), None)
            if found is None or not reader.has_readings(found):
                what = "no run" if found is None else "no readings in run"
                raise UsageError(
                    f"{shown_name(str(path))} has {what} {number}: benchwatch.list_runs() lists "
                    "what there is."
                )
        chosen = Selection((found.key,))
    return read_recording(str(path), counter=counter, selection=chosen)


def read_visit(
    visit: int | str,
    *,
    journal: FilePath | None = None,
    simulated: bool = False,
    counter: str | None = None,
) -> Recording:
    """Read all runs of a visit as one recording, with a gap between two runs.

    A note of the recording says so where the journal has not all of them, and which counters
    measured the visit where they are several. A step between two counters is not the unit's, so the
    runs of one are read.

    Args:
        visit: number of the visit, or ``CHAIN/NUMBER``.
        journal: the journal, beside which the register is; None: as for `read_run`.
        simulated: whether it is a visit of a simulated bench.
        counter: name of the counter, where runs of several belong to the visit.

    Raises:
        UsageError: there is no such visit, none of its runs is in the journal, or the name of a
            counter is needed.
        FileError: register or journal can't be read.
    """
    beside = journal_path(journal)
    found = find_visit(visit, journal=beside, simulated=simulated)
    if not found.runs:
        raise UsageError(f"visit {found.number} has no runs: it was not watched here.")
    path = beside.with_name(found.runs[-1].journal or beside.name)
    with JournalReader(_journal_path(path)) as reader:
        # In the order of the register, as a clock that was set back makes dates misleading.
        there = there_with_readings(reader, (run.key for run in found.runs))
        counters = counters_of(reader, there)
    if not there:
        raise UsageError(
            f"no run of visit {found.number} with readings is in {shown_name(str(path))}: it was "
            "archived, or is in another journal."
        )
    sentence, names = measured_by(str(found.number), counters), counter_names(counters)
    if counter is None and len(names) > 1:
        calls = " or ".join(f"read_visit({visit!r}, counter={name!r})" for name in names)
        raise UsageError(f"{sentence} {APART}: {calls}.")
    recording = read_recording(str(path), counter=counter, selection=Selection(there))
    if sentence:
        recording = replace(recording, notes=(*recording.notes, sentence))
    runs = len({run.key for run in found.runs})
    if len(there) == runs:
        return recording
    note = (
        f"visit {found.number} has {how_many(runs, 'run')}; {len(there)} of them with readings in "
        f"{shown_name(str(path))}"
    )
    return replace(recording, notes=(*recording.notes, note))


def list_runs(journal: FilePath | None = None) -> list[ListedRun]:
    """Return the runs of a journal, oldest first; None: the one that `read_run` reads.

    Raises:
        UsageError: there is no journal.
        FileError: it can't be read.
    """
    return run_list.list_runs(_journal_path(journal), time.time())


def _journal_path(journal: FilePath | None) -> Path:
    """Return the path of a journal that is there.

    Raises:
        UsageError: there is none.
    """
    path = journal_path(journal)
    if not is_journal(str(path)):
        if path.exists():
            raise UsageError(f"{shown_name(str(path))} is no journal: read_file reads a file.")
        raise UsageError(f"there is no journal at {printable(str(path), 200)} yet.")
    return path


def _column_words(column: TableColumn | None) -> str | None:
    """Return a column's heading or number as it is typed for a command."""
    return None if column is None else str(column)
