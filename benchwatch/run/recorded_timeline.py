"""The events of a recorded file on one time line, and passes through them.

A pass only goes forward, because pipelines can't go back: to seek back, a new pass begins at the
start of the file. The file is read as events are taken, and is never held in memory as a whole.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from heapq import merge
from operator import attrgetter
from typing import Final

from benchwatch.acquire import CounterStatus
from benchwatch.counter import LinkStatus, TimeBase
from benchwatch.errors import BenchwatchError, NoReadings
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.reading import DEFAULT_COUNTER, INTERNAL_TIMEBASE, Event, Gap, Mark, Reading
from benchwatch.recording import EventStream, Extent, Recording

EVENTS_A_CHECK: Final = 20
"""Events fed to the pipelines between two checks of the time."""
READ_FIRST: Final = 10_000
"""Readings that are read before playing starts: enough to know the length of most files, and to
find most errors in them."""

_INTERNAL: Final = TimeBase("internal")
_BY_TIME = attrgetter("elapsed_s")


class RecordedTimeline:
    """The events of a file; time counts from the first event of any counter.

    Args:
        extent: finds the length of the file and errors in it.
        events: opens the file again, from the beginning.
        pipeline: makes a new pipeline for a counter.

    Raises:
        NoReadings: the file has no readings.
        BenchwatchError: the file can't be read near its beginning.
    """

    def __init__(
        self,
        extent: Extent,
        events: Callable[[], EventStream],
        pipeline: Callable[[Recording], Pipeline],
    ) -> None:
        self._extent, self._open, self._pipeline = extent, events, pipeline
        while extent.state == "so far" and extent.readings < READ_FIRST:
            extent.read_on()
        if extent.error is not None:
            raise extent.error
        if not extent.readings:
            raise NoReadings("there are no readings in the file.")
        self._outlines: dict[str, Recording] = {}
        self._add_outlines()
        first = next(iter(events()), None)
        self._origin_s = 0.0 if first is None else first.elapsed_s

    @property
    def length_s(self) -> float:
        """Length, in seconds, of the part of the file that has been read."""
        return max(self._extent.last_s - self._origin_s, 0.0)

    @property
    def extent(self) -> Extent:
        """Extent of the file: its last time, its counters and its errors, as far as read."""
        return self._extent

    def read_on(self) -> None:
        """Read the next piece of the file, to find its end."""
        if self._extent.state == "so far":
            self._extent.read_on()
            self._add_outlines()

    def utc_of(self, name: str, at_s: float) -> float:
        """Return the date of a position, Unix seconds; nan when the recording gives none."""
        start_s = self._outlines[name].utc_start_s
        return math.nan if start_s is None else start_s + self._origin_s + at_s

    def new_pass(self, marks: Sequence[Mark] = ()) -> "ReplayPass":
        """Begin a pass at the start, with the `marks` that were made on earlier passes."""
        stream = self._open()
        time_bases = {name: TimeBase(one.time_base) for name, one in self._outlines.items()}

        def pipeline(name: str) -> Pipeline:
            outline = self._outlines.setdefault(name, stream.outline(name))
            time_bases[name] = TimeBase(outline.time_base)
            return self._pipeline(outline)

        shifted = (replace(event, elapsed_s=event.elapsed_s - self._origin_s) for event in stream)
        events = merge(shifted, sorted(marks, key=_BY_TIME), key=_BY_TIME)
        known = {name: self._pipeline(outline) for name, outline in self._outlines.items()}
        return ReplayPass(pipelines=known, events=events, pipeline=pipeline, time_bases=time_bases)

    def _add_outlines(self) -> None:
        """Add the outlines of counters that the part read so far contains."""
        for outline in self._extent.outlines():
            self._outlines.setdefault(outline.counter or DEFAULT_COUNTER, outline)


@dataclass(slots=True, eq=False)
class ReplayPass:
    """One pass forward through the events, which it feeds to the pipelines."""

    pipelines: dict[str, Pipeline]
    """Pipelines of the counters found so far, by name."""
    events: Iterator[Event]
    pipeline: Callable[[str], Pipeline]
    """Makes the pipeline of a counter that appears later in the file."""
    time_bases: dict[str, TimeBase]
    """Time bases that the file states, for readings without the flag ``internal-timebase``."""
    at_s: float = 0.0
    """Position in seconds: all events up to it have been fed."""
    next: Event | None = None
    """The first event that has not been fed; None at the end."""
    _links: dict[str, CounterStatus] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in self.pipelines:
            self._connect(name, LinkStatus("reading", 0.0), None)
        self._read_on()

    def feed(self, goal_s: float, enough: Callable[[], bool]) -> None:
        """Feed the events up to `goal_s`; stop earlier when `enough` returns True."""
        count = 0
        while self.next is not None and self.next.elapsed_s <= goal_s:
            self._take(self.next)
            self.at_s = max(self.at_s, self.next.elapsed_s)
            self._read_on()
            count += 1
            if count % EVENTS_A_CHECK == 0 and enough():
                return
        self.at_s = max(self.at_s, goal_s)

    def _read_on(self) -> None:
        """Read the next event; on an error of the file, end all links with its message."""
        try:
            self.next = next(self.events, None)
        except BenchwatchError as error:
            self.next = None
            for name, known in tuple(self._links.items()):
                link = LinkStatus("ended", self.at_s, str(error))
                self._connect(name, link, known.gate_s, known.time_base)

    def _take(self, event: Event) -> None:
        """Feed an event to its counter's pipeline; during a gap the link is silent."""
        if event.counter not in self.pipelines:
            self.pipelines[event.counter] = self.pipeline(event.counter)
            self._connect(event.counter, LinkStatus("reading", event.elapsed_s), None)
        known = self._links[event.counter]
        link, gate_s, time_base = known.link, known.gate_s, known.time_base
        if isinstance(event, Reading):
            gate_s = event.gate_s
            internal = INTERNAL_TIMEBASE in event.flags
            time_base = _INTERNAL if internal else self.time_bases.get(event.counter, TimeBase())
            if link.state != "reading":
                link = LinkStatus("reading", event.elapsed_s)
        elif isinstance(event, Gap):
            link = LinkStatus("silent", event.elapsed_s, event.reason)
        if link is not known.link or gate_s != known.gate_s or time_base != known.time_base:
            self._connect(event.counter, link, gate_s, time_base)
        self.pipelines[event.counter].take(event)

    def _connect(
        self, name: str, link: LinkStatus, gate_s: float | None, time_base: TimeBase | None = None
    ) -> None:
        """Store the state of a counter, and pass it to the counter's pipeline."""
        self._links[name] = CounterStatus(
            link=link, gate_s=gate_s, time_base=time_base or TimeBase()
        )
        self.pipelines[name].connect(self._links[name])
