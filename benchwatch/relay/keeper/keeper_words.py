"""What a keeper says: one line on what has changed, and one a minute on what it did."""

import time
from collections.abc import Callable
from typing import Final

from benchwatch.quantity import how_many

REPORT_S: Final = 60.0


class KeeperWords:
    """Says each thing once; called by several threads.

    Args:
        say: writes a sentence.
        clock: monotonic seconds.
    """

    def __init__(
        self, say: Callable[[str], None], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._say, self._clock = say, clock
        self._said: dict[str, str] = {}
        self._reported_s = clock()
        self._stations: set[str] = set()
        self._events = self._refused = 0

    def about(self, what: str, sentence: str) -> None:
        """Say how something is now, unless that was the last that was said of it."""
        if self._said.get(what) != sentence:
            self._said[what] = sentence
            self._say(sentence)

    def committed(self, stations: set[str], events: int, refused: int) -> None:
        """Count what was committed."""
        self._stations |= stations
        self._events += events
        self._refused += refused

    def report(self, dropped: int) -> bool:
        """Say what the last minute brought, once a minute; return whether it was time.

        Args:
            dropped: messages in that time for which there was no room.
        """
        now_s = self._clock()
        if now_s - self._reported_s < REPORT_S:
            return False
        minutes = (now_s - self._reported_s) / 60
        if self._events or self._refused or dropped:
            stations = how_many(len(self._stations), "station")
            parts = [f"{stations}, {self._events / minutes:.0f} events a minute committed"]
            if self._refused:
                parts.append(f"{how_many(self._refused, 'refused message')} (see keep --status)")
            if dropped:
                parts.append(f"{how_many(dropped, 'message')} too many, which will come again")
            self._say("; ".join(parts))
        self._reported_s = now_s
        self._stations = set()
        self._events = self._refused = 0
        return True
