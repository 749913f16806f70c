"""Recorded files: what somebody logged earlier, read without losing or inventing anything.

Read are comma-separated tables with a header (``time_s`` or ISO 8601 ``time``, and one of
``frequency_hz``, ``offset``, ``period_s``, ``phase_s``), a single column of numbers without a
header, and what Benchwatch writes itself: JSON lines, and the journal.
"""

from benchwatch.recording.assembly import Stated
from benchwatch.recording.extent import Extent
from benchwatch.recording.file_reader import read_recording, read_recordings
from benchwatch.recording.recorded_run import COLUMNS, KINDS, Column, Hole, Kind, Recording
from benchwatch.recording.stream import EventStream

__all__ = [
    "COLUMNS", "KINDS", "Column", "EventStream", "Extent", "Hole", "Kind", "Recording", "Stated",
    "read_recording", "read_recordings",
]  # fmt: skip
