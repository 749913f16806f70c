"""Recorded files: what somebody logged earlier, read without losing or inventing anything.

Read are comma-separated tables with a header (``time_s`` or ISO 8601 ``time``, and one of
``frequency_hz``, ``offset``, ``period_s``, ``phase_s``), a single column of numbers without a
header, and what Benchwatch writes itself: JSON lines, and the journal.
"""

from benchwatch.recording.event_stream import EventStream, Extent
from benchwatch.recording.file_reader import read_recording, read_recordings
from benchwatch.recording.reading_builder import StatedFacts
from benchwatch.recording.recorded_run import COLUMNS, KINDS, Column, Kind, Recording, RecordingGap

__all__ = [
    "COLUMNS",
    "KINDS",
    "Column",
    "EventStream",
    "Extent",
    "Kind",
    "Recording",
    "RecordingGap",
    "StatedFacts",
    "read_recording",
    "read_recordings",
]  # fmt: skip
