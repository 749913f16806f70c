"""Reads a recorded file on demand: its events in the order of time, and its extent."""

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from heapq import merge
from operator import attrgetter
from typing import Final, Literal

from benchwatch.errors import BenchwatchError, FileError
from benchwatch.reading import DEFAULT_COUNTER, Event
from benchwatch.recording.file_reader import open_row_streams
from benchwatch.recording.read_position import ReadPosition
from benchwatch.recording.reading_builder import ReadingBuilder, StatedFacts
from benchwatch.recording.recorded_run import ReadingBatch, Recording, play_batch
from benchwatch.recording.rows import CounterFacts, CounterRows
from benchwatch.recording.run_selection import Selection
from benchwatch.recording.tables.table_request import TableRequest
from benchwatch.recording.text_lines import shown_name

MOST_HELD_EVENTS: Final = 5000
"""Most events that wait for events of slower counters, to be put in the order of time."""

_BY_TIME = attrgetter("elapsed_s")


class EventStream:
    """Readings, gaps and marks of all counters in a file, in the order of time.

    Nominal and spacing are taken from the first rows of a counter. Later rows are read while the
    caller takes events, so an error further down is raised only then. If one counter has no rows
    for long, the events of the others are not held back for it.

    Args:
        path: path of the file; ``-`` is standard input.
        stated: facts that the caller states.
        table: what the caller states on the columns of a table; None: nothing but the interval.
        gate_s: gate time of all readings in seconds; None: the gate that the file states.
        selection: runs of a journal; None: its newest watch with readings.
        position: is kept at how far the file is read.
        say: called with each sentence on anything assumed, left out or odd.

    Raises:
        FileError: here or while events are taken: the file is wrong; the message names the line.
        UsageError: likewise: a nominal is needed and none can be guessed.
    """

    def __init__(
        self,
        path: str,
        stated: StatedFacts,
        *,
        table: TableRequest | None = None,
        gate_s: float | None = None,
        selection: Selection | None = None,
        position: ReadPosition | None = None,
        say: Callable[[str], None],
    ) -> None:
        self._name, self._stated, self._gate_s, self._say = shown_name(path), stated, gate_s, say
        self._streams = open_row_streams(path, _asked(stated, table), selection, position)
        self._builders: dict[str, ReadingBuilder] = {}

    def outline(self, name: str) -> Recording:
        """Return the recording of counter `name` without its readings; `name` has had an event."""
        return self._builders[name].outline()

    def __iter__(self) -> Iterator[Event]:
        """Yield all events; the stream can be read only once."""
        streams = [self._events(stream) for stream in self._streams]
        # Most files are one stream, and every event passes here.
        yield from streams[0] if len(streams) == 1 else merge(*streams, key=_BY_TIME)
        if not self._builders:
            raise FileError(f"{self._name} holds no readings, only a header or notes.")

    def _events(self, stream: Iterator[CounterRows]) -> Iterator[Event]:
        """Yield the events of one stream of rows."""
        counters: dict[CounterFacts, _Counter] = {}
        for batch in stream:
            for facts, rows in batch:
                if facts not in counters:
                    counters[facts] = _Counter(ReadingBuilder(facts, self._stated), self._gate_s)
                counters[facts].take(counters[facts].builder.take(rows))
                self._report_notes(counters[facts].builder)
            yield from _ready(list(counters.values()))
        for counter in counters.values():
            counter.take(counter.builder.end())
            self._report_notes(counter.builder)
            for sentence in counter.builder.final_notes():
                self._say(sentence)
        yield from merge(*(counter.events for counter in counters.values()), key=_BY_TIME)

    def _report_notes(self, builder: ReadingBuilder) -> None:
        if builder.begun:
            self._builders.setdefault(builder.facts.counter or DEFAULT_COUNTER, builder)
            for sentence in builder.take_notes():
                self._say(sentence)


def _asked(stated: StatedFacts, table: TableRequest | None) -> TableRequest:
    return table or TableRequest(interval_s=stated.interval_s)


class _Counter:
    """The events of one counter that were read from the file and not yet yielded."""

    def __init__(self, builder: ReadingBuilder, gate_s: float | None) -> None:
        self.builder = builder
        self._gate_s = gate_s
        self._batches: deque[ReadingBatch] = deque()
        self.held = 0
        """How many events are ready; an estimate."""
        self.last_s = -math.inf
        """Time of the newest reading; events not read yet are later."""
        self._next: Event | None = None
        self._playing: Iterator[Event] = iter(())

    def take(self, batches: Iterable[ReadingBatch]) -> None:
        """Add batches of readings, gaps and marks."""
        for batch in batches:
            self._batches.append(batch)
            self.held += len(batch.time_s) + len(batch.gaps) + len(batch.marks)
            if len(batch.time_s):
                self.last_s = float(batch.time_s[-1])

    @property
    def events(self) -> Iterator[Event]:
        """Yield all events that are ready."""
        # For speed not event by event through `first`: every row of a file passes here.
        if self._next is not None:
            event, self._next = self._next, None
            yield event
        yield from self._playing
        while self._batches:
            self._playing = self._played(self._batches.popleft())
            yield from self._playing
        self.held = 0

    def up_to(self, goal_s: float) -> Iterator[Event]:
        """Yield the ready events up to the time `goal_s`."""
        while (event := self.first()) is not None and event.elapsed_s <= goal_s:
            self._next = None
            self.held -= 1
            yield event

    def first(self) -> Event | None:
        """Return the next event that is ready, and keep it; None: no event is ready."""
        while self._next is None:
            self._next = next(self._playing, None)
            if self._next is None:
                if not self._batches:
                    return None
                self._playing = self._played(self._batches.popleft())
        return self._next

    def _played(self, batch: ReadingBatch) -> Iterator[Event]:
        facts = self.builder.facts
        start_s = math.nan if facts.epoch_s is None else facts.epoch_s
        return play_batch(batch, facts.counter or DEFAULT_COUNTER, start_s, self._gate_s)


def _ready(counters: list[_Counter]) -> Iterator[Event]:
    """Yield the events that are earlier than every event not read yet.

    If more than `MOST_HELD_EVENTS` wait, events are yielded up to the newest of any counter.
    """
    if len(counters) == 1:
        yield from counters[0].events
        return
    goal_s = min((counter.last_s for counter in counters), default=-math.inf)
    if sum(counter.held for counter in counters) > MOST_HELD_EVENTS:
        goal_s = max(counter.last_s for counter in counters)
    yield from merge(*(counter.up_to(goal_s) for counter in counters), key=_BY_TIME)


class Extent:
    """Reads a file to its end without keeping its readings.

    Attributes:
        last_s: Time of the last reading so far, in the file's own seconds; -inf before the first.
        readings: Number of readings so far.
        state: ``so far`` until the end of the file; then ``whole``, or ``broken`` after an error.
        error: The error that ended the reading; None if there was none.

    Args:
        path: path of the file; `EventStream` opens it again.
        stated: facts that the caller states.
        table: what the caller states on the columns of a table; None: nothing but the interval.
        selection: runs of a journal; None: its newest watch with readings.

    Raises:
        FileError: the file has no known form, or is empty.
    """

    def __init__(
        self,
        path: str,
        stated: StatedFacts,
        *,
        table: TableRequest | None = None,
        selection: Selection | None = None,
    ) -> None:
        self.last_s, self.readings = -math.inf, 0
        self.state: Literal["so far", "whole", "broken"] = "so far"
        self.error: BenchwatchError | None = None
        self._name, self._stated = shown_name(path), stated
        self._builders: dict[CounterFacts, ReadingBuilder] = {}
        self._notes: list[str] = []
        self._batches = _in_turn(open_row_streams(path, _asked(stated, table), selection))

    def read_on(self) -> None:
        """Read one more batch of rows; do nothing after the end or an error."""
        if self.state != "so far":
            return
        try:
            batch_of_rows = next(self._batches, None)
            if batch_of_rows is None:
                self._end()
                return
            for facts, rows in batch_of_rows:
                if facts not in self._builders:
                    self._builders[facts] = ReadingBuilder(facts, self._stated)
                for batch in self._builders[facts].take(rows):
                    self._count(batch.time_s.tolist())
                self._notes += self._builders[facts].take_notes()
        except BenchwatchError as error:
            self.state, self.error = "broken", error

    def outlines(self) -> list[Recording]:
        """Return the recording of each counter found so far, without its readings."""
        return [one.outline() for one in self._builders.values() if one.begun]

    def take_notes(self) -> list[str]:
        """Return the sentences on what was assumed, left out or odd so far, and clear them."""
        notes, self._notes = self._notes, []
        return notes

    def _end(self) -> None:
        if not self._builders:
            raise FileError(f"{self._name} holds no readings, only a header or notes.")
        for builder in self._builders.values():
            for batch in builder.end():
                self._count(batch.time_s.tolist())
            self._notes += builder.final_notes()
        self.state = "whole"

    def _count(self, times_s: list[float]) -> None:
        self.readings += len(times_s)
        if times_s:
            self.last_s = max(self.last_s, times_s[-1])


def _in_turn(streams: list[Iterator[CounterRows]]) -> Iterator[CounterRows]:
    """Yield one batch of each stream in turn, so that every counter is found early."""
    while streams:
        for stream in list(streams):
            batch = next(stream, None)
            if batch is None:
                streams.remove(stream)
            else:
                yield batch
