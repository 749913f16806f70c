"""Counts the events and entries that the central record does not have."""

from collections.abc import Collection, Iterable, Mapping
from typing import Final, Protocol

from benchwatch.relay.station.stream import Stream

COUNTED_A_SECOND: Final = 20_000
"""The unsent events of a run are counted so seldom that counting takes about no time."""


class CountedEvents(Protocol):
    """What counts the events of a run, as `UnsentEvents` does."""

    def count(self, key: int, after: int) -> tuple[int, float | None]: ...  # noqa: D102


class UnsentCount:
    """Counts what is unsent: of own runs and chains again and again, of other runs once.

    Nothing is counted of a run that was read to its end, for then what is under way tells it.
    """

    def __init__(self, events: CountedEvents) -> None:
        self._events = events
        self._due_s: dict[int | str, float] = {}
        """When the unsent events of an own run are counted again, monotonic."""

    def count(
        self, streams: Iterable[Stream], own: Collection[int], last: Mapping[str, int], now_s: float
    ) -> None:
        """Count what is due to be counted.

        Args:
            streams: runs and chains.
            own: the runs that this program writes.
            last: number of the last entry of each chain.
            now_s: monotonic.
        """
        for stream in streams:
            if stream.unsent is None:
                if not (stream.is_known or stream.name in own):
                    continue
            elif isinstance(stream.name, int) and (
                stream.name not in own or now_s < self._due_s.get(stream.name, 0.0)
            ):
                continue
            if isinstance(stream.name, int):
                found = self._events.count(stream.name, stream.counted_from)
                stream.unsent, stream.oldest_utc_s = found
            else:
                stream.unsent = max(last.get(stream.name, 0) - stream.counted_from, 0)
            self._due_s[stream.name] = now_s + stream.unsent / COUNTED_A_SECOND


def total_unsent(streams: Iterable[Stream]) -> int | None:
    """Return how many events and entries are unsent; None: nothing was counted."""
    counts = [one.unsent for one in streams if one.unsent is not None]
    return sum(counts) if counts else None


def oldest_unsent_s(streams: Iterable[Stream]) -> float | None:
    """Return when the first unsent reading was taken, Unix seconds; None: there is none."""
    return min(
        (one.oldest_utc_s for one in streams if one.unsent and one.oldest_utc_s), default=None
    )
