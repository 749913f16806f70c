"""Messages of stations that wait for the keeper: bounded, and no station can crowd out others.

What finds no room is dropped: it was not answered, so its station sends it again.
"""

import threading
from collections import Counter, deque
from dataclasses import dataclass
from typing import Final

from benchwatch.relay.batch import BatchRefused, ChainBatch, Question, RunBatch, decode

MOST_EVENTS: Final = 100_000
"""Events that wait; one takes about half a kilobyte."""
MOST_CHARACTERS: Final = 64_000_000
"""Characters of texts that wait: a few bytes of a message may unpack to 4 MB."""
MOST_OF_A_STATION: Final = 16
"""Messages of one station that wait; stations have a few under way at most."""
MOST_CHARACTERS_OF_A_STATION: Final = 8_000_000


@dataclass(frozen=True, slots=True)
class Message:
    """A message, and the station under whose topic it came."""

    station: str
    payload: bytes
    content: RunBatch | ChainBatch | Question | BatchRefused
    """What was read; the error if it can't be read."""
    events: int
    characters: int
    """About how many its texts have, in memory."""


def read_message(station: str, payload: bytes) -> Message:
    """Read a payload; whatever is wrong with it becomes its content."""
    try:
        content = decode(payload)
    except BatchRefused as error:
        return Message(station, payload, error, 1, len(payload))
    if isinstance(content, Question):
        return Message(station, payload, content, 1, 0)
    return Message(station, payload, content, len(content), _characters(content))


class Inbox:
    """Closed at first; messages are put in by one thread and taken out by another."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._waiting: deque[Message] = deque()
        self._counts: Counter[str] = Counter()
        self._characters: Counter[str] = Counter()
        self._all_events = self._all_characters = 0
        self._open = self._ended = False
        self.dropped = 0
        """Messages that found no room."""

    def has_room(self, station: str) -> bool:
        """Return whether a message of a station may be put in; one that may not is counted."""
        with self._changed:
            if not self._open:
                return False
            if (
                self._counts[station] >= MOST_OF_A_STATION
                or self._characters[station] >= MOST_CHARACTERS_OF_A_STATION
                or self._all_events >= MOST_EVENTS
                or self._all_characters >= MOST_CHARACTERS
            ):
                self.dropped += 1
                return False
        return True

    def put(self, message: Message) -> None:
        """Add a message for which there was room."""
        station = message.station
        with self._changed:
            if not self._open:
                return
            self._waiting.append(message)
            self._counts[station] += 1
            self._characters[station] += message.characters
            self._all_events += message.events
            self._all_characters += message.characters
            if len(self._waiting) == 1:
                self._changed.notify()

    def take(self) -> Message | None:
        """Remove and return the message that waited longest; None: none waits."""
        with self._changed:
            if not self._waiting:
                return None
            message = self._waiting.popleft()
            station = message.station
            self._all_events -= message.events
            self._all_characters -= message.characters
            self._characters[station] -= message.characters
            self._counts[station] -= 1
            if not self._counts[station]:
                del self._counts[station], self._characters[station]
        return message

    def wait(self, longest_s: float) -> bool:
        """Wait until a message is there, or the end; return whether a message is there."""
        with self._changed:
            self._changed.wait_for(lambda: self._waiting or self._ended, longest_s)
            return bool(self._waiting)

    def open(self) -> None:
        """Take messages from now on."""
        with self._changed:
            self._open = True

    def close(self) -> None:
        """Throw away what waits, and take nothing from now on."""
        with self._changed:
            self._open = False
            self._waiting.clear()
            self._counts.clear()
            self._characters.clear()
            self._all_events = self._all_characters = 0

    def end(self) -> None:
        """Let nobody wait any longer."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()


def _characters(batch: RunBatch | ChainBatch) -> int:
    """Return about how many characters the texts of a batch have."""
    if isinstance(batch, ChainBatch):
        return sum(len(entry.document) + len(entry.who) for entry in batch.entries)
    run = batch.run
    count = len(run.settings) + len(run.identity) + len(run.end_reason)
    count += sum([len(row[4]) + len(row[6]) for row in batch.readings])
    for rows in (batch.gaps, batch.marks, batch.records, batch.notes, batch.left_out):
        count += sum([len(row[-1]) for row in rows])
    return count
