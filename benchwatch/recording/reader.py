"""Read a recorded file, whichever of the forms it has."""

from collections.abc import Iterator
from decimal import Decimal
from itertools import chain

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import printable
from benchwatch.recording.build import build
from benchwatch.recording.journal_lines import is_journal, journal_lines
from benchwatch.recording.json_lines import read_json_lines
from benchwatch.recording.record import Kind, Recording
from benchwatch.recording.table import read_table
from benchwatch.recording.text import Line, read_lines, shown_name


def read_recordings(
    path: str,
    *,
    nominal: Decimal | None = None,
    column: Kind | None = None,
    interval_s: float | None = None,
) -> tuple[Recording, ...]:
    """Read the file at `path` (``-``: standard input), one recording a counter.

    Args:
        path: a table (CSV), JSON lines, or a journal, whose newest watch is taken.
        nominal: hertz; when None the file's own, or the round number the readings are near.
        column: what the numbers are, where the file has no header or several such columns.
        interval_s: seconds from row to row, where the file has no times.

    Raises:
        FileError: what is wrong in which line, and what to do about it.
        UsageError: a nominal is needed and none can be guessed.
    """
    source = shown_name(path)
    lines = _content(journal_lines(path) if is_journal(path) else read_lines(path))
    first = next(lines, None)
    if first is None:
        raise FileError(f"{source} holds no readings: it is empty.")
    lines = chain([first], lines)
    if first.text.lstrip().startswith("{"):
        counters = read_json_lines(source, lines)
    else:
        counters = [read_table(source, lines, column, interval_s)]
    counters = [rows for rows in counters if rows.text]
    if not counters:
        raise FileError(f"{source} holds no readings, only a header or notes.")
    return tuple(build(rows, nominal, interval_s) for rows in counters)


def read_recording(
    path: str,
    *,
    nominal: Decimal | None = None,
    column: Kind | None = None,
    interval_s: float | None = None,
    counter: str | None = None,
) -> Recording:
    """Read the recording of one counter; `counter` names it where the file holds several.

    Raises:
        FileError: as `read_recordings`.
        UsageError: as `read_recordings`, or the file holds several counters or not this one.
    """
    recordings = read_recordings(path, nominal=nominal, column=column, interval_s=interval_s)
    named = [r for r in recordings if counter is None or r.counter in {None, counter}]
    if len(named) == 1:
        return named[0]
    names = ", ".join(printable(r.counter or "main") for r in recordings)
    if named:
        raise UsageError(
            f"{shown_name(path)} holds several counters: {names}. Choose one with --counter NAME."
        )
    raise UsageError(
        f"{shown_name(path)} holds no counter '{printable(counter or '')}'; it holds: {names}."
    )


def _content(lines: Iterator[Line]) -> Iterator[Line]:
    """Pass over comments and empty lines."""
    for line in lines:
        text = line.text.strip()
        if text and not text.startswith("#"):
            yield line
