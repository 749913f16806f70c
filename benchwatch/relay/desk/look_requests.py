"""What a desk asks stations for: lines of their counters, for a while."""

from collections.abc import Iterable
from typing import Any, Final

from benchwatch.relay.topics import look_topic

LOOK_EVERY_S: Final = 10.0
LOOK_FOR_S: Final = 30
"""For so long a station sends lines after it was asked, so that one lost request does no harm."""
NAMED_AT_MOST: Final = 3
"""Counters of a station that are asked for by name; of more, all are asked for at once."""
MANY_COUNTERS: Final = 60
WALL_EVERY_S: Final = 5.0
"""Of more than `MANY_COUNTERS` a line is asked for every so many seconds."""


def line_every_s(counters: int) -> float:
    """Return how often each of so many counters is asked for a line, in seconds; 0: each line."""
    return WALL_EVERY_S if counters > MANY_COUNTERS else 0.0


def look_requests(
    counters: Iterable[tuple[str, str]], every_s: float
) -> list[tuple[str, dict[str, Any]]]:
    """Return topics and contents of the requests for lines.

    Args:
        counters: station and name of each.
        every_s: how often a line is asked for, in seconds; 0: each.
    """
    of_station: dict[str, list[str]] = {}
    for station, counter in sorted(counters):
        of_station.setdefault(station, []).append(counter)
    return [
        (
            look_topic(station),
            {"v": 1, "counter": name, "every_s": every_s, "for_s": LOOK_FOR_S},
        )
        for station, names in of_station.items()
        for name in (names if len(names) <= NAMED_AT_MOST else [None])
    ]
