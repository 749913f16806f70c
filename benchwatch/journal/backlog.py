"""Events that wait for the journal's file, in bounded memory."""

from collections import deque
from collections.abc import Iterator

from benchwatch.journal.schema import Row, event_row
from benchwatch.reading import Entry, Gap, Note


class Backlog:
    """Keeps the newest events; a stretch that there was no room for becomes a gap.

    Args:
        limit: how many events are kept.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._waiting: deque[tuple[int, int, Entry]] = deque()
        self._dropped: dict[int, _Dropped] = {}
        self._events = 0

    def __len__(self) -> int:
        """Return how many events there were, kept or not; what the program noted counts not."""
        return self._events

    def keep(self, run: int, number: int, event: Entry) -> None:
        """Add an event; beyond the limit the oldest goes."""
        self._events += not isinstance(event, Note)
        self._waiting.append((run, number, event))
        if len(self._waiting) > self._limit:
            key, oldest, victim = self._waiting.popleft()
            self._dropped.setdefault(key, _Dropped(oldest, victim)).add(victim)

    def rows(self) -> Iterator[Row]:
        """Give what is to be written, gaps first."""
        for run, lost in self._dropped.items():
            yield event_row(run, lost.number, lost.gap())
        for run, number, event in self._waiting:
            yield event_row(run, number, event)

    def clear(self) -> None:
        """All was written."""
        self._waiting.clear()
        self._dropped.clear()
        self._events = 0


class _Dropped:
    """A stretch of events that the queue had no room for."""

    def __init__(self, number: int, first: Entry) -> None:
        self.number = number
        self.events = 0
        self._first = self._last = first

    def add(self, event: Entry) -> None:
        self.events += 1
        self._last = event

    def gap(self) -> Gap:
        first, last = self._first, self._last
        return Gap(
            counter=first.counter,
            utc_s=first.utc_s,
            elapsed_s=first.elapsed_s,
            lasted_s=max(0.0, last.elapsed_s - first.elapsed_s),
            reason=(
                f"the journal could not be written: {self.events} readings and notes were not kept"
            ),
        )
