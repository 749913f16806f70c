"""A journal as the JSON lines of its newest watch, so that it is read like any other recording."""

import json
import math
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from benchwatch.errors import FileError, JournalError
from benchwatch.journal.place import is_database
from benchwatch.journal.reader import read_events, read_runs
from benchwatch.journal.schema import Run
from benchwatch.reading import Event, Gap, Mark, Reading
from benchwatch.recording.text import STANDARD_INPUT, Line, shown_name


def is_journal(path: str) -> bool:
    """Tell whether the file at `path` is a database and no text."""
    try:
        return path != STANDARD_INPUT and is_database(Path(path))
    except (OSError, ValueError):  # the reader of text says it in a sentence
        return False


def journal_lines(path: str) -> Iterator[Line]:
    """Give the readings, gaps and marks of the newest watch that has any readings.

    Raises:
        FileError: the database is no journal, or can't be read.
    """
    try:
        yield from _newest(Path(path))
    except JournalError as error:
        why = str(error).split(". ", 1)[0].rstrip(".")
        raise FileError(
            f"{shown_name(path)} is a database, and no journal that can be read: {why}. Give a "
            "journal, a CSV table or JSON lines."
        ) from error


def _newest(path: Path) -> Iterator[Line]:
    runs = read_runs(path)
    for watch in dict.fromkeys(run.watch for run in reversed(runs)):
        together = [run for run in runs if run.watch == watch]
        if any(isinstance(e, Reading) for run in together for e in read_events(path, run)):
            yield from _lines(path, together)
            return


def _lines(path: Path, runs: list[Run]) -> Iterator[Line]:
    number = 0
    for run in runs:
        for event in read_events(path, run):
            row = _row(event)
            if row is not None:
                row["time_base"] = run.time_base
                number += 1
                yield Line(number, json.dumps(row), ended=True)


def _row(event: Event) -> dict[str, object] | None:
    """Return what a line of JSON says of the event; None for a record, which replay makes anew."""
    row: dict[str, object] = {"counter": event.counter, "elapsed_s": event.elapsed_s}
    row["time"] = datetime.fromtimestamp(event.utc_s, UTC).isoformat()
    if isinstance(event, Reading):
        known = {"frequency_hz": event.frequency_hz, "offset_hz": event.offset_hz}
        row |= {name: value for name, value in known.items() if math.isfinite(value)}
        row |= {"kind": "reading", "gate_s": event.gate_s, "text": event.text}
        row["flags"] = sorted(event.flags)
    elif isinstance(event, Gap):
        row |= {"kind": "gap", "lasted_s": event.lasted_s, "reason": event.reason}
    elif isinstance(event, Mark):
        row |= {"kind": "mark", "text": event.text}
    else:
        return None
    return row
