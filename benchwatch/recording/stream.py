"""The events of a recorded file, read only as fast as they are wanted."""

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from heapq import merge
from operator import attrgetter
from typing import Final

from benchwatch.errors import FileError
from benchwatch.reading import Event
from benchwatch.recording.assembly import Assembly, Stated
from benchwatch.recording.file_reader import sources
from benchwatch.recording.recorded_run import Column, Piece, Recording, played
from benchwatch.recording.rows import Round, Track
from benchwatch.recording.text import shown_name

MOST_HELD: Final = 5000
"""Events that wait for those of other counters, to be put in the order of time."""

_BY_TIME = attrgetter("elapsed_s")


class EventStream:
    """Readings, gaps and marks of all counters in a file, in the order of time.

    Nominal and spacing are taken from the first rows of a counter, and the file is read on as
    events are taken. What is wrong further down is found when it is reached. Where a counter is
    silent for long, the others don't wait for it.

    Args:
        path: of the file; ``-`` is standard input.
        stated: what the caller says of it.
        column: what the numbers are, where the file does not say.
        gate_s: gate the file was taken with; None: what it says itself.
        say: takes sentences on what was assumed, left out or odd.

    Raises:
        FileError: here and while events are taken, what is wrong in which line.
        UsageError: likewise, a nominal is needed and none can be guessed.
    """

    def __init__(
        self,
        path: str,
        stated: Stated,
        *,
        column: Column | None = None,
        gate_s: float | None = None,
        say: Callable[[str], None],
    ) -> None:
        self._name, self._stated, self._gate_s, self._say = shown_name(path), stated, gate_s, say
        self._sources = sources(path, column, stated.interval_s)
        self._assemblies: dict[str, Assembly] = {}

    def outline(self, name: str) -> Recording:
        """Return what is known of the counter `name`, without its readings."""
        return self._assemblies[name].outline()

    def __iter__(self) -> Iterator[Event]:
        """Give the events; this can be done once."""
        yield from merge(*map(self._events, self._sources), key=_BY_TIME)
        if not self._assemblies:
            raise FileError(f"{self._name} holds no readings, only a header or notes.")

    def _events(self, rounds: Iterator[Round]) -> Iterator[Event]:
        """Give the events of one stream of rows."""
        counters: dict[Track, _Counter] = {}
        for together in rounds:
            for track, rows in together:
                if track not in counters:
                    counters[track] = _Counter(Assembly(track, self._stated), self._gate_s)
                counters[track].take(counters[track].assembly.take(rows))
                self._tell(counters[track].assembly)
            yield from _ready(list(counters.values()))
        for counter in counters.values():
            counter.take(counter.assembly.end())
            self._tell(counter.assembly)
            for sentence in counter.assembly.told_at_end():
                self._say(sentence)
        yield from merge(*(counter.events for counter in counters.values()), key=_BY_TIME)

    def _tell(self, assembly: Assembly) -> None:
        if assembly.begun:
            self._assemblies.setdefault(assembly.track.counter or "main", assembly)
            for sentence in assembly.told():
                self._say(sentence)


class _Counter:
    """What is at hand of one counter."""

    def __init__(self, assembly: Assembly, gate_s: float | None) -> None:
        self.assembly = assembly
        self._gate_s = gate_s
        self._pieces: deque[Piece] = deque()
        self.held = 0
        """Events that are at hand, nearly."""
        self.last_s = -math.inf
        """Nothing that is still to come is earlier."""
        self._next: Event | None = None
        self._playing: Iterator[Event] = iter(())

    def take(self, pieces: Iterable[Piece]) -> None:
        """Keep pieces to be played."""
        for piece in pieces:
            self._pieces.append(piece)
            self.held += len(piece.time_s) + len(piece.holes) + len(piece.marks)
            if len(piece.time_s):
                self.last_s = float(piece.time_s[-1])

    @property
    def events(self) -> Iterator[Event]:
        """Play what is at hand."""
        while (event := self.first()) is not None:
            self._next = None
            self.held -= 1
            yield event

    def up_to(self, goal_s: float) -> Iterator[Event]:
        """Play what is at hand up to a time."""
        while (event := self.first()) is not None and event.elapsed_s <= goal_s:
            self._next = None
            self.held -= 1
            yield event

    def first(self) -> Event | None:
        """Return the next event at hand."""
        while self._next is None:
            self._next = next(self._playing, None)
            if self._next is None:
                if not self._pieces:
                    return None
                self._playing = self._played(self._pieces.popleft())
        return self._next

    def _played(self, piece: Piece) -> Iterator[Event]:
        track = self.assembly.track
        start_s = math.nan if track.epoch_s is None else track.epoch_s
        return played(piece, track.counter or "main", start_s, self._gate_s)


def _ready(counters: list[_Counter]) -> Iterator[Event]:
    """Give the events that none still to come precedes."""
    if len(counters) == 1:
        yield from counters[0].events
        return
    goal_s = min((counter.last_s for counter in counters), default=-math.inf)
    if sum(counter.held for counter in counters) > MOST_HELD:
        goal_s = max(counter.last_s for counter in counters)
    yield from merge(*(counter.up_to(goal_s) for counter in counters), key=_BY_TIME)
