"""Sends the lines of counters to desks, only while a desk looks.

Lines are for eyes: one that can't be sent at once is dropped, and the central record has its event
from the journal. While nobody looks, an event costs one look into an empty dictionary.
"""

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

from benchwatch.estimate.results import Numbers
from benchwatch.reading import TOOL_WORDS, Event, Gap, Mark, Reading, Touch
from benchwatch.relay.station.counter_states import RelayedCounter
from benchwatch.relay.station.looks import Look, Looks
from benchwatch.relay.station.publish import Publish
from benchwatch.relay.topics import line_topic
from benchwatch.snapshot import Snapshot

MOST_WAITING: Final = 1000
"""Lines that may wait to be sent; then the oldest are dropped."""
EARLY: Final = 0.95
"""A reading is due when this part of the asked spacing has passed: readings come unevenly."""

LineText = Callable[[Reading | Gap | Mark, Numbers, int | None], str]
"""Writes an event as a JSON object on one line: (event, numbers after it, events that wait for the
journal) -> text."""


class LiveLines:
    """The lines of a station; `took` is for the counters' threads, all else for one thread.

    Args:
        station: name of the station.
        counters: the counters by name.
        publish: hands a message to the connection.
        text: writes an event as a line.
        unsent: returns how many events are not in the central record yet; None: not known.
    """

    def __init__(
        self,
        station: str,
        counters: Mapping[str, RelayedCounter],
        publish: Publish,
        text: LineText,
        unsent: Callable[[], int | None],
    ) -> None:
        self._topics = {name: line_topic(station, name) for name in counters}
        self._counters = counters
        self._publish, self._text, self._unsent = publish, text, unsent
        self._looks = Looks(counters)
        self._spacings: dict[str, float] = {}
        """Least seconds between two lines of each counter that is looked at; replaced as a whole,
        because the counters' threads read it."""
        self._waiting: deque[tuple[Event, Snapshot]] = deque(maxlen=MOST_WAITING)
        self._sent_s: dict[str, float] = {}
        """Elapsed seconds of the newest reading of each counter whose line was sent."""

    @property
    def are_asked_for(self) -> bool:
        """Whether any desk looks."""
        return bool(self._spacings)

    def took(self, event: Event, snapshot: Snapshot) -> bool:
        """Take an event and the snapshot after it; return whether there is a line to send."""
        if event.counter not in self._spacings:
            return False
        self._waiting.append((event, snapshot))
        return True

    def look(self, look: Look, now_s: float) -> None:
        """Take the look of a desk; of a counter at which nobody looked, send the newest reading.

        Args:
            look: what the desk asks for.
            now_s: the present, monotonic seconds.
        """
        before = self._spacings
        self._looks.add(look, now_s)
        self.forget_ended(now_s)
        for name in self._spacings.keys() - before:
            self._sent_s.pop(name, None)
            now = self._counters[name].snapshot
            if now.reading is not None:
                self._send(now.reading, replace(now, number=None))  # that may be a later event's

    def forget_ended(self, now_s: float) -> None:
        """Send no more lines for looks that have ended at `now_s`, monotonic seconds."""
        self._spacings = self._looks.spacings(now_s)

    def send_waiting(self) -> None:
        """Send the lines of the events that wait."""
        while self._waiting:
            event, snapshot = self._waiting.popleft()
            self._send(snapshot.corrected(event), snapshot)

    def _send(self, event: Event, now: Snapshot) -> None:
        spacing_s = self._spacings.get(event.counter)
        if spacing_s is None:
            return
        if isinstance(event, Reading):
            last_s = self._sent_s.get(event.counter, -math.inf)
            if 0 <= event.elapsed_s - last_s < EARLY * spacing_s:
                return
            self._sent_s[event.counter] = event.elapsed_s
        if isinstance(event, Touch):
            line = self._line(_mark_of(event), now, None)
        elif isinstance(event, Reading | Gap | Mark):
            line = self._line(event, now, now.number)
        else:
            return
        self._publish(self._topics[event.counter], line)

    def _line(self, event: Reading | Gap | Mark, now: Snapshot, number: int | None) -> bytes:
        """Return the line of an event, with the keys that say where the central record has it."""
        text = self._text(event, now.numbers, now.not_on_disk)
        digit = event.resolution_hz if isinstance(event, Reading) else None
        known = digit if digit and math.isfinite(digit) else None
        added = (
            f',"resolution_hz":{_written(known)},"run":{_written(now.run)}'
            f',"number":{_written(number)},"unsent":{_written(self._unsent())}'
            f',"behind":{"true" if now.relay is not None and now.relay.behind else "false"}}}'
        )
        return (text.rstrip().removesuffix("}") + added).encode("utf-8", "replace")


def _mark_of(touch: Touch) -> Mark:
    """Return the mark as which lines have it that the tool was put on or lifted."""
    return Mark(
        counter=touch.counter,
        utc_s=touch.utc_s,
        elapsed_s=touch.elapsed_s,
        text=TOOL_WORDS[touch.on],
    )


def _written(value: float | None) -> str:
    return "null" if value is None else repr(value)
