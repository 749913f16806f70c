"""Tells when a recovery or a merge has added its last event to a run."""

from collections.abc import Iterator, Mapping
from typing import Final

from benchwatch.journal.late_events import LateEvents

LATE_S: Final = 5.0
"""A recovery that has added no events for so long is over."""


class LateWatch:
    """Watches the notes on late events; the times are monotonic seconds."""

    def __init__(self) -> None:
        self._seen: dict[int, tuple[LateEvents, float]] = {}
        """The note on each run, and since when it is the same."""

    def settled(self, notes: Mapping[int, LateEvents], now_s: float) -> Iterator[int]:
        """Yield the runs whose notes have been the same for long enough."""
        self._seen = {key: seen for key, seen in self._seen.items() if key in notes}
        for key, late in notes.items():
            if key not in self._seen or self._seen[key][0] != late:
                self._seen[key] = late, now_s
            elif now_s >= self._seen[key][1] + LATE_S:
                yield key

    def next_s(self, now_s: float) -> float:
        """Return when a note may be settled that is not yet; infinity: there is none."""
        times = (since_s + LATE_S for _, since_s in self._seen.values())
        return min((due_s for due_s in times if due_s > now_s), default=float("inf"))
