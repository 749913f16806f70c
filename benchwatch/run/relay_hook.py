"""What a watch tells the part that sends its events to the central record and to desks."""

from collections.abc import Mapping, Sequence
from typing import Protocol

from benchwatch.reading import Event
from benchwatch.run.live_counter import LiveCounter
from benchwatch.snapshot import Snapshot


class RelayHook(Protocol):
    """Sends what a watch has written to its journal; all but `stop` returns at once."""

    @property
    def notices(self) -> Sequence[str]:
        """Sentences on how sending has changed; the list only grows."""

    def started(self, counters: Mapping[str, LiveCounter]) -> None:
        """Begin to send.

        Args:
            counters: the counters that are journaled, by name; the hook takes from each what is
                asked of it and its newest snapshot, and tells it how sending stands.
        """

    def took(self, event: Event, snapshot: Snapshot) -> None:
        """Take an event that is in the journal, and the snapshot after it.

        Called on the thread that reads the counter, in the order of its events. The snapshot has
        the key of the run and the number of the event.
        """

    def stop(self) -> str:
        """Send the rest after the last event was written, for a few seconds at most.

        Whoever made the hook calls it, before the journal is closed.

        Returns:
            A sentence on what is not in the central record yet; empty: all is.
        """
