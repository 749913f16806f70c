"""Messages of stations that wait for the keeper: bounded, and no station can crowd out others.

What finds no room is dropped: it was not answered, so its station sends it again.
"""

import threading
from collections import Counter, deque
from dataclasses import dataclass
from typing import Final

MOST_BYTES: Final = 64_000_000
MOST_OF_A_STATION: Final = 16
"""Messages of one station that wait; stations have a few under way at most."""
MOST_BYTES_OF_A_STATION: Final = 2_000_000


@dataclass(frozen=True, slots=True)
class Message:
    """A payload, and the station under whose topic it came."""

    station: str
    payload: bytes


class Inbox:
    """Closed at first; messages are put in by one thread and taken out by another."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._waiting: deque[Message] = deque()
        self._counts: Counter[str] = Counter()
        self._bytes: Counter[str] = Counter()
        self._all_bytes = 0
        self._open = self._ended = False
        self.dropped = 0
        """Messages that found no room."""

    def put(self, message: Message) -> bool:
        """Add a message; return False if it was dropped."""
        size, station = len(message.payload), message.station
        with self._changed:
            if not self._open:
                return False
            if (
                self._counts[station] >= MOST_OF_A_STATION
                or self._bytes[station] + size > MOST_BYTES_OF_A_STATION
                or self._all_bytes + size > MOST_BYTES
            ):
                self.dropped += 1
                return False
            self._waiting.append(message)
            self._counts[station] += 1
            self._bytes[station] += size
            self._all_bytes += size
            if len(self._waiting) == 1:
                self._changed.notify()
        return True

    def take(self) -> Message | None:
        """Remove and return the message that waited longest; None: none waits."""
        with self._changed:
            if not self._waiting:
                return None
            message = self._waiting.popleft()
            self._all_bytes -= len(message.payload)
            station = message.station
            self._bytes[station] -= len(message.payload)
            self._counts[station] -= 1
            if not self._counts[station]:
                del self._counts[station], self._bytes[station]
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
            self._bytes.clear()
            self._all_bytes = 0

    def end(self) -> None:
        """Let nobody wait any longer."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()
