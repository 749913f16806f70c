"""Reads a recorded file of any known form into whole recordings."""

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from benchwatch.central_record.archive.archive_file import is_archive
from benchwatch.errors import FileError, UsageError
from benchwatch.estimate.array_types import FloatArray
from benchwatch.quantity import printable
from benchwatch.reading import DEFAULT_COUNTER
from benchwatch.recording.journal_rows import SelectedRows, has_runs, is_journal
from benchwatch.recording.json_lines_reader import read_json_rows
from benchwatch.recording.read_position import ReadPosition
from benchwatch.recording.reading_builder import ReadingBuilder, StatedFacts
from benchwatch.recording.recorded_run import (
    Column,
    OperatorAction,
    ReadingBatch,
    Recording,
    RecordingGap,
)
from benchwatch.recording.rows import CounterFacts, CounterRows, Rows
from benchwatch.recording.run_selection import Selection
from benchwatch.recording.tables.own_comment import LONGEST_COMMENT_BYTES
from benchwatch.recording.tables.parquet_rows import is_parquet, read_parquet_rows
from benchwatch.recording.tables.table_request import TableRequest
from benchwatch.recording.tables.table_rows import read_table_rows
from benchwatch.recording.text_lines import (
    decode_lines,
    first_content,
    is_content,
    read_blocks,
    shown_name,
)

if TYPE_CHECKING:
    from benchwatch.reading import Flag


def read_recordings(
    path: str,
    *,
    nominal: Decimal | None = None,
    column: Column | None = None,
    interval_s: float | None = None,
    time_column: str | None = None,
    value_column: str | None = None,
    wraps_s: Decimal | None = None,
    offsets_only: bool = False,
    selection: Selection | None = None,
    position: ReadPosition | None = None,
) -> tuple[Recording, ...]:
    """Read the file at `path` (``-``: standard input), one recording a counter.

    Args:
        path: path of a table (CSV), of JSON lines, or of a journal; or the address of a central
            record.
        nominal: hertz; None: the file's own nominal, or the round number near the readings.
        column: column of the numbers, where the file has no header or several such columns.
        interval_s: seconds from row to row, where the file has no times.
        time_column: heading or number (from 1) of a table's column of times; None: found by its
            heading; ``none``: the file's own times are not read.
        value_column: heading or number of its column of numbers; None: found by its heading.
        wraps_s: period in seconds after which a time error restarts; None: it does not.
        offsets_only: True: leave out the offsets in hertz and the numbers as written.
        selection: runs of a journal; None: its newest watch with readings (`newest_runs`).
        position: is kept at how far the file is read.

    Raises:
        FileError: the file is wrong; the message names the line and what to do.
        UsageError: a nominal is needed and none can be guessed.
    """
    stated = StatedFacts(
        nominal=nominal, interval_s=interval_s, wraps_s=wraps_s, offsets_only=offsets_only
    )
    asked = TableRequest(
        column=column, interval_s=interval_s, time_column=time_column, value_column=value_column
    )
    counters: dict[CounterFacts, RecordingBuilder] = {}
    for stream in open_row_streams(path, asked, selection, position):
        for facts, rows in chain.from_iterable(stream):
            if facts not in counters:
                counters[facts] = RecordingBuilder(ReadingBuilder(facts, stated))
            counters[facts].take(rows)
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
    time_column: str | None = None,
    value_column: str | None = None,
    wraps_s: Decimal | None = None,
    counter: str | None = None,
    offsets_only: bool = False,
    selection: Selection | None = None,
    position: ReadPosition | None = None,
) -> Recording:
    """Read the recording of one counter.

    `counter` is its name; None: the file has only one. All other arguments: see `read_recordings`.

    Raises:
        FileError: as `read_recordings`.
        UsageError: as `read_recordings`; or the file holds several counters, or none of this name.
    """
    recordings = read_recordings(
        path,
        nominal=nominal,
        column=column,
        interval_s=interval_s,
        time_column=time_column,
        value_column=value_column,
        wraps_s=wraps_s,
        offsets_only=offsets_only,
        selection=selection,
        position=position,
    )
    named = [r for r in recordings if counter is None or r.counter in {None, counter}]
    if len(named) == 1:
        return named[0]
    names = ", ".join(printable(r.counter or DEFAULT_COUNTER) for r in recordings)
    if named:
        raise UsageError(
            f"{shown_name(path)} holds several counters: {names}. Choose one with --counter NAME."
        )
    raise UsageError(
        f"{shown_name(path)} holds no counter '{printable(counter or '')}'; it holds: {names}."
    )


def open_row_streams(
    path: str,
    asked: TableRequest,
    selection: Selection | None = None,
    position: ReadPosition | None = None,
) -> list[Iterator[CounterRows]]:
    """Open a recorded file; return streams of rows, each of which can be read at its own pace.

    Args:
        path: path of the file; ``-``: standard input; or address of a central record.
        asked: what the caller states on the columns of a table.
        selection: runs of a journal; None: its newest watch with readings.
        position: is kept at how far the file is read.

    Raises:
        FileError: the file has no known form, or is empty.
    """
    if has_runs(path):
        counters = SelectedRows(path, selection, position).counters()
        if not counters:
            raise FileError(f"{shown_name(path)} holds no readings: it is empty.")
        what = "a journal" if is_journal(path) else "a central record"
        what = "an archive" if is_archive(path) else what
        note = asked.unused_note(shown_name(path), what)
        return [_with_notes(counters[0], note), *counters[1:]]
    if is_parquet(path):
        return [read_parquet_rows(path, asked, position)]
    source = shown_name(path)
    blocks = read_blocks(path, position)
    begin = next(blocks, None)
    comment = b"" if begin is None else begin.data[: LONGEST_COMMENT_BYTES + 1]
    blocks = blocks if begin is None else chain([begin], blocks)
    line, blocks = first_content(blocks, source)
    if line is None:
        raise FileError(f"{source} holds no readings: it is empty.")
    if line.text.lstrip().startswith("{"):
        lines = filter(is_content, chain([line], decode_lines(blocks, source)))
        note = asked.unused_note(source, "a file of JSON lines")
        return [_with_notes(read_json_rows(source, lines), note)]
    return [read_table_rows(source, line, blocks, asked, comment)]


def _with_notes(stream: Iterator[CounterRows], notes: list[str]) -> Iterator[CounterRows]:
    """Yield the rows of a stream, with notes on the file at its first counter."""
    for batch in stream:
        for facts, _ in batch[:1]:
            facts.notes += notes
            notes = []
        yield batch


class RecordingBuilder:
    """Joins the batches of one counter into a recording.

    Args:
        builder: builds the batches from rows.
    """

    def __init__(self, builder: ReadingBuilder) -> None:
        self._builder = builder
        self.has_rows = False
        """Whether any row was taken."""
        self._count = 0
        self._time_s, self._offset, self._offset_hz = _Parts(), _Parts(), _Parts()
        self._gate_s = _Parts()
        self._across_s: dict[int, float] = {}
        self._text: list[str] = []
        self._flags: dict[int, frozenset[Flag]] = {}
        self._corrections: dict[int, float] = {}
        self._gaps: list[RecordingGap] = []
        self._marks: list[tuple[int, float, OperatorAction]] = []
        self._resolution_hz = 0.0
        self._gated = False

    def take(self, rows: Rows) -> None:
        """Take the next rows.

        Raises:
            FileError: as `ReadingBuilder.take`.
            UsageError: as `ReadingBuilder.take`.
        """
        self.has_rows = self.has_rows or len(rows) > 0
        for batch in self._builder.take(rows):
            self._add(batch)

    def recording(self) -> Recording:
        """Return the recording; no rows can be taken afterwards.

        Raises:
            FileError: as `ReadingBuilder.end`.
            UsageError: a nominal is needed and none can be guessed.
        """
        for batch in self._builder.end():
            self._add(batch)
        builder, facts = self._builder, self._builder.facts
        time_s = self._time_s.joined()
        offset_hz = self._offset_hz.joined()
        if builder.stated.offsets_only:
            offset_hz = np.broadcast_to(np.nan, time_s.shape)
        interval_s = builder.stated.interval_s or self._interval_s(time_s)
        return Recording(
            source=facts.source,
            kind=facts.kind,
            time_s=time_s,
            offset=self._offset.joined(),
            offset_hz=offset_hz,
            text=tuple(self._text),
            nominal=builder.nominal,
            interval_s=interval_s or builder.interval_s,
            resolution_hz=self._resolution_hz,
            gate_s=self._gate_s.joined() if self._gated else None,
            counter=facts.counter,
            utc_start_s=facts.epoch_s,
            flags=self._flags,
            time_base="external" if facts.external else "unknown",
            corrections=self._corrections,
            gaps=tuple(self._gaps),
            marks=tuple(self._marks),
            across_s=self._across_s,
            notes=tuple(builder.final_notes()),
        )

    def _add(self, batch: ReadingBatch) -> None:
        count = self._count
        self._time_s.add(batch.time_s)
        self._offset.add(batch.offset)
        if not self._builder.stated.offsets_only:
            self._offset_hz.add(batch.offset_hz)
        self._text += batch.text
        if batch.gate_s is not None:
            self._gated = True
            self._gate_s.add(batch.gate_s)
        for row, step_s in batch.across_s.items():
            self._across_s[count + row] = self._across_s.get(count + row, 0.0) + step_s
        self._flags |= {count + row: flags for row, flags in batch.flags.items()}
        self._corrections |= {count + row: by for row, by in batch.corrections.items()}
        self._gaps += [replace(gap, before=count + gap.before) for gap in batch.gaps]
        self._marks += [(count + before, at_s, text) for before, at_s, text in batch.marks]
        self._resolution_hz = batch.resolution_hz or self._resolution_hz
        self._count += len(batch.time_s)

    def _interval_s(self, time_s: FloatArray) -> float | None:
        """Return the median step from reading to reading, without the steps across gaps."""
        steps = np.diff(time_s)
        gaps = {gap.before - 1 for gap in self._gaps if 0 < gap.before <= steps.size}
        if gaps:
            steps = np.delete(steps, sorted(gaps))
        return float(f"{np.median(steps):.12g}") if steps.size else None


class _Parts:
    """An array that grows by parts."""

    def __init__(self) -> None:
        self._parts: list[FloatArray] = []

    def add(self, part: FloatArray) -> None:
        """Add a part at the end."""
        self._parts.append(part)

    def joined(self) -> FloatArray:
        """Return the joined array, and release the parts."""
        whole = np.concatenate(self._parts) if self._parts else np.zeros(0)
        self._parts.clear()
        return whole
