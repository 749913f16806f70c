"""Recordings as the JSON lines of a watch, with times and numbers to their last digit.

The estimates are null: the lines state what was read, and ``replay --json`` computes them.
"""

import json
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from itertools import repeat
from typing import Any, BinaryIO, Final

import numpy as np

from benchwatch.api.export_rows import ROWS_AT_ONCE, corrected_offsets
from benchwatch.clock import iso_time
from benchwatch.estimate.results import Numbers
from benchwatch.line_output import json_line
from benchwatch.reading import NO_MEASUREMENT, OVERRANGE, TOOL_WORDS, Event, Gap, Mark, Touch
from benchwatch.recording import Recording

Written = Callable[[int], None]
"""Is called with the number of rows that were written since its last call."""
COMPUTED: Final = ("estimate", "drift", "nudge", "settle", "tolerance")
"""Keys of the line of a reading that a watch computes."""
_encode: Final = json.JSONEncoder(allow_nan=False, separators=(",", ":")).encode


def ignored(_rows: int) -> None:
    """Do nothing, where nobody wants to know how far the writing is."""


def write_json_lines(
    recordings: Mapping[str, Recording], sink: BinaryIO, written: Written = ignored
) -> None:
    """Write recordings as the JSON lines of a watch, one counter after the other."""
    readings = gaps = 0
    for recording in recordings.values():
        unfit = sum(not flags.isdisjoint(NO_MEASUREMENT) for flags in recording.flags.values())
        readings, gaps = readings + len(recording) - unfit, gaps + len(recording.gaps)
        lines, at = ReadingLines(recording), 0
        for before, text in _between(recording):
            for first in range(at, before, ROWS_AT_ONCE):
                end = min(first + ROWS_AT_ONCE, before)
                sink.write("".join(lines.texts(first, end)).encode("ascii"))
                written(end - first)
            at = before
            sink.write(text.encode("ascii"))
    last = {"kind": "end", "readings": readings, "gaps": gaps, "reason": "exported"}
    sink.write(f"{_encode(last)}\n".encode("ascii"))


class ReadingLines:
    """The lines of the readings of one recording.

    Args:
        recording: of one counter. Of offsets, periods and time errors the lines have the offset.
    """

    def __init__(self, recording: Recording) -> None:
        self._recording = recording
        self._offset, self._correction = corrected_offsets(recording)
        self._of_frequency = recording.kind == "frequency_hz"
        self._offset_hz = self._offsets_hz()
        external = recording.time_base == "external"
        self._head = f'{{"kind":"reading","counter":{_encode(recording.name)},"time":'
        self._computed = "".join(f',"{key}":null' for key in COMPUTED)
        self._tail = ',"dial_hz":null,"rest":null,"not_on_disk":null'
        self._tail += ',"time_base":"external"}\n' if external else "}\n"

    def texts(self, first: int, end: int) -> Iterator[str]:
        """Yield the lines of the readings from `first` to before `end`."""
        recording, rows = self._recording, slice(first, end)
        flags, head, computed, tail = recording.flags, self._head, self._computed, self._tail
        corrections = recording.corrections
        start_s = math.nan if recording.utc_start_s is None else recording.utc_start_s
        gates: Any = repeat(None)
        if recording.gate_s is not None:
            gates = recording.gate_s[rows].tolist()
        numbers: Any = recording.text[rows] if self._of_frequency else repeat("")
        columns = zip(
            range(first, end),
            recording.time_s[rows].tolist(),
            gates,
            numbers,
            self._offset_hz[rows].tolist(),
            self._offset[rows].tolist(),
            strict=False,  # two of them may be endless
        )
        for row, time_s, gate_s, text, offset_hz, offset in columns:
            own = flags.get(row)
            frequency = "null"
            if text and not (own and OVERRANGE in own):
                frequency = repr(float(text))
            words = _encode(sorted(own)) if own else "[]"
            correction = corrections.get(row)
            yield (
                f'{head}{_encode(iso_time(start_s + time_s))},"elapsed_s":{time_s!r},"gate_s":'
                f'{_number(gate_s)},"frequency_hz":{frequency},"offset_hz":{_number(offset_hz)},'
                f'"offset":{_number(offset)}{computed},"flags":{words},"text":{_encode(text)},'
                f'"correction":{_number(correction)}{tail}'
            )

    def _offsets_hz(self) -> "np.ndarray[Any, np.dtype[np.float64]]":
        """Return the offsets in hertz, corrected for the time base, (n,); nan: not known."""
        recording = self._recording
        if not self._of_frequency:
            return np.full(recording.offset.shape, np.nan)
        offset_hz = recording.offset_hz.copy()
        for row, by in recording.corrections.items():
            offset_hz[row] += by * float(recording.text[row])
        return offset_hz


def _between(recording: Recording) -> Iterator[tuple[int, str]]:
    """Yield the lines of gaps and notes, each with how many readings come before it.

    The last one is empty, and comes after all readings.
    """
    nothing = np.zeros(0)
    others = replace(
        recording, time_s=nothing, offset=nothing, offset_hz=nothing, text=(), gate_s=None,
        flags={}, corrections={},
    )  # fmt: skip
    places = [(gap.before, gap.begin_s) for gap in recording.gaps]
    places += [(before, at_s) for before, at_s, _ in recording.marks]
    for (before, _), event in zip(sorted(places), others.events(), strict=True):
        yield min(before, len(recording)), event_line(event)
    yield len(recording), ""


def event_line(event: Event) -> str:
    """Return the line of a gap, a note, a record or a check, with its line feed."""
    if isinstance(event, Touch):
        text = TOOL_WORDS[event.on]
        event = Mark(counter=event.counter, utc_s=event.utc_s, elapsed_s=event.elapsed_s, text=text)
    line = json.loads(json_line(event, Numbers()))
    line["elapsed_s"] = event.elapsed_s
    if isinstance(event, Gap):
        line["lasted_s"] = event.lasted_s
    return _encode(line) + "\n"


def _number(value: float | None) -> str:
    """Write a number; null where it is not known."""
    return "null" if value is None or not math.isfinite(value) else repr(value)
