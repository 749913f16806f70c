"""Reads recorded files without losing or inventing a reading.

In: a table (``time_s`` or ISO 8601 ``time``, and one of `COLUMNS`, or other headings), one column
of bare numbers, the JSON lines of a watch, any of them packed with gzip, or a journal. Out: whole
recordings, or their events one by one, with sentences on anything assumed, left out or odd.
"""

from benchwatch.recording.event_stream import EventStream, Extent
from benchwatch.recording.file_reader import read_recording, read_recordings
from benchwatch.recording.read_position import ReadPosition
from benchwatch.recording.reading_builder import StatedFacts
from benchwatch.recording.recorded_run import (
    COLUMNS,
    Column,
    Recording,
    RecordingGap,
)
from benchwatch.recording.run_selection import Selection
from benchwatch.recording.tables.table_request import TableRequest

__all__ = [
    "COLUMNS",
    "Column",
    "EventStream",
    "Extent",
    "ReadPosition",
    "Recording",
    "RecordingGap",
    "Selection",
    "StatedFacts",
    "TableRequest",
    "read_recording",
    "read_recordings",
]  # fmt: skip
