"""Recordings of several counters on one time line, and a way through it.

A recording only ever runs forward: its pipelines can't forget. To go back, a new way is begun
and fed from the beginning.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from heapq import merge
from operator import attrgetter
from typing import Final

from benchwatch.acquire import Connection
from benchwatch.pipeline import Pipeline
from benchwatch.reading import Event, Gap, Mark, Reading
from benchwatch.recording import Recording
from benchwatch.snapshot import Link

EVENTS_A_LOOK: Final = 20
"""Events fed between two looks at whether it is enough for now."""

_BY_TIME = attrgetter("elapsed_s")


class Tape:
    """Recordings that are played together; their time counts from the first event of any.

    Args:
        recordings: one a counter.
        pipelines: makes new pipelines, one a recording, by the counter's name.
        gate_s: gate the recordings were taken with; None: what they say themselves.
    """

    def __init__(
        self,
        recordings: Sequence[Recording],
        pipelines: Callable[[], dict[str, Pipeline]],
        *,
        gate_s: float | None = None,
    ) -> None:
        self._recordings, self._pipelines, self._gate_s = tuple(recordings), pipelines, gate_s
        first = [next(track, None) for track in self._tracks()]
        self._origin_s = min((event.elapsed_s for event in first if event), default=0.0)
        last = [float(one.time_s[-1]) for one in self._recordings if len(one)]
        self.length_s = max(last, default=self._origin_s) - self._origin_s
        self._utc_s = {
            one.counter or "main": one.utc_start_s + self._origin_s
            for one in self._recordings
            if one.utc_start_s is not None
        }

    def utc_of(self, name: str, at_s: float) -> float:
        """Return the date of a position, Unix seconds; nan when the recording gives none."""
        return self._utc_s.get(name, float("nan")) + at_s

    def way(self, marks: Sequence[Mark] = ()) -> "Way":
        """Begin a way from the beginning; `marks` were made at earlier showings."""
        shifted = (
            replace(event, elapsed_s=event.elapsed_s - self._origin_s)
            for event in merge(*self._tracks(), key=_BY_TIME)
        )
        events = merge(shifted, sorted(marks, key=_BY_TIME), key=_BY_TIME)
        return Way(self._pipelines(), events)

    def _tracks(self) -> list[Iterator[Event]]:
        return [recording.events(gate_s=self._gate_s) for recording in self._recordings]


@dataclass(slots=True, eq=False)
class Way:
    """Pipelines on their way forward through the events."""

    pipelines: dict[str, Pipeline]
    events: Iterator[Event]
    at_s: float = 0.0
    """All events up to here have been fed."""
    next: Event | None = None
    _links: dict[str, Connection] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.next = next(self.events, None)
        for name in self.pipelines:
            self._connect(name, Link("reading", 0.0), None)

    def feed(self, goal_s: float, enough: Callable[[], bool]) -> None:
        """Feed what lies up to `goal_s`, or less when it is `enough` for now."""
        count = 0
        while self.next is not None and self.next.elapsed_s <= goal_s:
            self._take(self.next)
            self.at_s = max(self.at_s, self.next.elapsed_s)
            self.next = next(self.events, None)
            count += 1
            if count % EVENTS_A_LOOK == 0 and enough():
                return
        self.at_s = max(self.at_s, goal_s)

    def _take(self, event: Event) -> None:
        """Put an event through its pipeline; the link is silent for as long as a gap lasts."""
        known = self._links[event.counter]
        link, gate_s = known.link, known.gate_s
        if isinstance(event, Reading):
            gate_s = event.gate_s
            if link.state != "reading":
                link = Link("reading", event.elapsed_s)
        elif isinstance(event, Gap):
            link = Link("silent", event.elapsed_s, event.reason)
        if link is not known.link or gate_s != known.gate_s:
            self._connect(event.counter, link, gate_s)
        self.pipelines[event.counter].take(event)

    def _connect(self, name: str, link: Link, gate_s: float | None) -> None:
        self._links[name] = Connection(link, gate_s=gate_s)
        self.pipelines[name].connect(self._links[name])
