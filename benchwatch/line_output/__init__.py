"""Front end: one line for each event, for people (plain) or for programs (JSON).

In: events and the numbers after them. Out: lines on a stream.
"""

from benchwatch.line_output.json_lines import json_line
from benchwatch.line_output.line_writer import (
    EndOfRun,
    LineEvent,
    LineOutput,
    LineWriter,
    Written,
)
from benchwatch.line_output.plain_lines import PlainWriter

__all__ = [
    "EndOfRun",
    "LineEvent",
    "LineOutput",
    "LineWriter",
    "PlainWriter",
    "Written",
    "json_line",
]
