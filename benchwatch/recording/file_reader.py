"""Read a recorded file, whichever of the forms it has."""

from collections.abc import Iterator
from decimal import Decimal
from itertools import chain

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import printable
from benchwatch.recording.assembly import Assembly, Stated
from benchwatch.recording.collected import Collected
from benchwatch.recording.csv_table import table_rows
from benchwatch.recording.journal_rows import NewestWatch, is_journal
from benchwatch.recording.json_lines import json_rows
from benchwatch.recording.recorded_run import Column, Recording
from benchwatch.recording.rows import Round, Track
from benchwatch.recording.text import (
    Line,
    first_content,
    is_content,
    lines_of,
    read_blocks,
    shown_name,
)


def read_recordings(
    path: str,
    *,
    nominal: Decimal | None = None,
    column: Column | None = None,
    interval_s: float | None = None,
    wraps_s: Decimal | None = None,
    offsets_only: bool = False,
) -> tuple[Recording, ...]:
    """Read the file at `path` (``-``: standard input), one recording a counter.

    Args:
        path: a table (CSV), JSON lines, or a journal, whose newest watch is taken.
        nominal: hertz; when None the file's own, or the round number the readings are near.
        column: what the numbers are, where the file has no header or several such columns.
        interval_s: seconds from row to row, where the file has no times.
        wraps_s: after what a time error begins anew; None: it does not.
        offsets_only: fractions are wanted, and neither hertz nor the numbers as written.

    Raises:
        FileError: what is wrong in which line, and what to do about it.
        UsageError: a nominal is needed and none can be guessed.
    """
    stated = Stated(nominal, interval_s, wraps_s, offsets_only)
    counters: dict[Track, Collected] = {}
    for source in sources(path, column, interval_s):
        for track, rows in chain.from_iterable(source):
            if track not in counters:
                counters[track] = Collected(Assembly(track, stated))
            counters[track].take(rows)
    recordings = tuple(one.recording() for one in counters.values() if one.has_rows)
    if not recordings:
        raise FileError(f"{shown_name(path)} holds no readings, only a header or notes.")
    return recordings


def read_recording(
    path: str,
    *,
    nominal: Decimal | None = None,
    column: Column | None = None,
    interval_s: float | None = None,
    wraps_s: Decimal | None = None,
    counter: str | None = None,
    offsets_only: bool = False,
) -> Recording:
    """Read the recording of one counter; `counter` names it where the file holds several.

    Raises:
        FileError: as `read_recordings`.
        UsageError: as `read_recordings`, or the file holds several counters or not this one.
    """
    recordings = read_recordings(
        path,
        nominal=nominal,
        column=column,
        interval_s=interval_s,
        wraps_s=wraps_s,
        offsets_only=offsets_only,
    )
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


def sources(path: str, column: Column | None, interval_s: float | None) -> list[Iterator[Round]]:
    """Open the file at `path`: streams of rows that can be read at any pace beside each other.

    Raises:
        FileError: it is of no form that is known, or empty.
    """
    if is_journal(path):
        tracks = NewestWatch(path).tracks()
        if not tracks:
            raise FileError(f"{shown_name(path)} holds no readings: it is empty.")
        return tracks
    source = shown_name(path)
    line, blocks = first_content(read_blocks(path), source)
    if line is None:
        raise FileError(f"{source} holds no readings: it is empty.")
    if line.text.lstrip().startswith("{"):
        return [json_rows(source, _content(chain([line], lines_of(blocks, source))))]
    return [table_rows(source, line, blocks, column, interval_s)]


def _content(lines: Iterator[Line]) -> Iterator[Line]:
    return filter(is_content, lines)
