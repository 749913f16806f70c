"""Writes one line for each event, as soon as it is final.

The line of a suspect reading is held back until the next reading shows whether it is a spike. The
line of a spike has the flag ``spike``, and the estimate from before the spike.
"""

from dataclasses import dataclass, replace
from typing import Final, Protocol, TextIO

from benchwatch.estimate.results import Numbers
from benchwatch.reading import (
    NO_MEASUREMENT,
    SPIKE,
    TOOL_WORDS,
    CheckMade,
    Event,
    Flag,
    Gap,
    Mark,
    Reading,
    Record,
    Touch,
)
from benchwatch.snapshot import ComparisonNow

_SPIKE: Final[frozenset[Flag]] = frozenset({SPIKE})


LineEvent = Reading | Gap | Mark | Record | CheckMade
"""Events that are written as they are; a `Touch` is written as a mark."""


@dataclass(frozen=True, slots=True)
class EndOfRun:
    """The last line: the totals of the run and why the run ended."""

    readings: int
    gaps: int
    reason: str


Written = LineEvent | ComparisonNow | EndOfRun
"""All that a line is written of."""


class LineWriter(Protocol):
    """Writes an event, and the numbers after it, as one line without a line ending."""

    def __call__(self, event: Written, numbers: Numbers, not_on_disk: int | None = None, /) -> str:
        """Return one line.

        Args:
            event: the event.
            numbers: the numbers after the event.
            not_on_disk: how many events wait for the journal; None: there is no journal.
        """
        ...


class LineOutput:
    """Writes the lines of a run, each as soon as it is final.

    Errors of the stream (such as BrokenPipeError) are not caught.

    Args:
        stream: stream to write to.
        write: makes a line of an event.
        at_once: so many lines are written at once, which takes less time; `flush` writes the rest.
    """

    def __init__(self, stream: TextIO, write: LineWriter, *, at_once: int = 1) -> None:
        self._stream = stream
        self._at_once = at_once
        self._lines: list[str] = []
        """Lines to be written."""
        self._write = write
        self._has_plus_minus = _can_write("±", stream)
        self._held: dict[str, list[tuple[Reading, Numbers, int | None]]] = {}
        self._before: dict[str, Numbers] = {}

    def event(self, event: Event, numbers: Numbers, not_on_disk: int | None = None) -> None:
        """Write an event, or hold it back if it is a suspect reading.

        Args:
            event: the event.
            numbers: the numbers after the event.
            not_on_disk: how many events wait for the journal; None: there is no journal.
        """
        name = event.counter
        if isinstance(event, Touch):
            event = Mark(
                counter=name,
                utc_s=event.utc_s,
                elapsed_s=event.elapsed_s,
                text=TOOL_WORDS[event.on],
            )
        if not isinstance(event, (Reading, Gap)):
            self._put(event, numbers, not_on_disk)
            return
        held = self._held.get(name)
        if isinstance(event, Reading):
            measures = event.flags.isdisjoint(NO_MEASUREMENT)
            if held and not measures:
                held.append((event, numbers, not_on_disk))
                return
            if held:
                self._release(name, numbers.spike_at_s)
            if measures and numbers.suspect:
                self._held[name] = [(event, numbers, not_on_disk)]
                return
        elif held:
            self._release(name, None)
        self._put(event, numbers, not_on_disk)
        self._before[name] = numbers

    def comparison(self, now: ComparisonNow) -> None:
        """Write what a comparison of counters says."""
        self._put(now, Numbers())

    def end(self, end: EndOfRun) -> None:
        """Write the lines held back, and the last line."""
        for name in list(self._held):
            self._release(name, None)
        self._put(end, Numbers())
        self.flush()

    def flush(self) -> None:
        """Write what is left, and flush the stream."""
        self._write_lines()
        self._stream.flush()

    def _put(self, event: Written, numbers: Numbers, not_on_disk: int | None = None) -> None:
        line = self._write(event, numbers, not_on_disk)
        if not self._has_plus_minus:
            line = line.replace("±", "+/-")
        self._lines.append(line + "\n")
        if len(self._lines) >= self._at_once:
            self._write_lines()

    def _write_lines(self) -> None:
        text = "".join(self._lines)
        self._lines.clear()  # before the stream may refuse them, or a later call would again
        if text:
            self._stream.write(text)

    def _release(self, name: str, spike_at_s: float | None) -> None:
        """Write the lines held back; the first reading is a spike if its time is `spike_at_s`."""
        held = self._held.pop(name)
        is_spike = held[0][0].elapsed_s == spike_at_s
        for reading, numbers, not_on_disk in held:
            if is_spike:
                before = self._before.get(name, Numbers()).without_news()
                first = reading is held[0][0]
                flags = reading.flags | _SPIKE if first else reading.flags
                self._put(replace(reading, flags=flags), before, not_on_disk)
            else:
                self._put(reading, numbers, not_on_disk)
                self._before[name] = numbers


def _can_write(text: str, stream: TextIO) -> bool:
    """Return whether the encoding of `stream` (by default UTF-8) has the characters of `text`."""
    try:
        text.encode(getattr(stream, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        return False
    return True
