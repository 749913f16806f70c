"""Which counters desks look at now, and how often each is to be told of.

A desk repeats its message while it looks, so that a desk which is gone is forgotten by itself.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from benchwatch.relay.payload import PayloadRefused
from benchwatch.relay.strict_json import read_plain

LONGEST_LOOK_S: Final = 120.0
"""A look that is not repeated ends after this time at the latest."""
LONGEST_SPACING_S: Final = 3600.0
MOST_SPACINGS: Final = 8
"""Most different spacings that are kept for one counter; each takes room until it ends."""


@dataclass(frozen=True, slots=True)
class Look:
    """What a desk asks for."""

    counter: str | None
    """None: all counters of the station."""
    every_s: float
    """Least time between two lines; 0: each line."""
    for_s: float
    """How long the desk looks, from now."""


def read_look(payload: bytes) -> Look:
    """Read the message of a desk.

    Raises:
        PayloadRefused: it is no such message.
    """
    document = read_plain(payload)
    counter = document.get("counter")
    if not (counter is None or isinstance(counter, str)):
        raise PayloadRefused("it names no counter")
    every_s = _seconds(document, "every_s", LONGEST_SPACING_S)
    return Look(counter, every_s, _seconds(document, "for_s", LONGEST_LOOK_S))


def _seconds(document: Mapping[str, Any], key: str, most: float) -> float:
    value = document.get(key, 0)
    if type(value) not in {int, float} or not value >= 0:
        raise PayloadRefused(f"'{key}' is no number of seconds")
    return float(min(value, most))


class Looks:
    """The looks that have not ended, by counter.

    Args:
        names: the counters of the station; looks at others are ignored.
    """

    def __init__(self, names: Iterable[str]) -> None:
        self._until_s: dict[str, dict[float, float]] = {name: {} for name in names}
        """By counter: when the looks of a spacing end, monotonic seconds."""

    def add(self, look: Look, now_s: float) -> None:
        """Take a look at `now_s`, monotonic seconds."""
        for name in self._until_s if look.counter is None else (look.counter,):
            ends = self._until_s.get(name)
            if ends is not None and (look.every_s in ends or len(ends) < MOST_SPACINGS):
                ends[look.every_s] = max(ends.get(look.every_s, -math.inf), now_s + look.for_s)

    def spacings(self, now_s: float) -> dict[str, float]:
        """Return the least spacing in seconds of each counter that is looked at; forget the rest.

        Args:
            now_s: the present, monotonic seconds.
        """
        for name, ends in self._until_s.items():
            self._until_s[name] = {every_s: end for every_s, end in ends.items() if end > now_s}
        return {name: min(ends) for name, ends in self._until_s.items() if ends}
