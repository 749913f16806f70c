"""The pace of a counter that sends lines by itself, and what it tells of lines that had waited.

A line that lay in the buffer of the operating system while this computer was busy has no arrival
time of its own. The counter's own clock goes on meanwhile, so the lines that were heard as they
came tell when each of the waiting ones came, as long as none is missing and none too many.
"""

from collections import deque
from typing import Final

LEARNED: Final = 5
"""So many spacings, each near their mean, make a pace."""
KEPT: Final = 33
"""Newest lines that the pace is worked out from."""
STEADY: Final = 0.3
"""Part of the pace by which a line may come off its time; one that is further off is the first of
another pace."""
LEAST_SLACK: Final = 0.1
"""Part of the pace by which waiting lines may miss the time in which they can have come."""
MOST_SLACK: Final = 0.5
"""With more, it can't be told whether one of them is missing."""


class Pace:
    """Learns from lines heard as they came; dates those that were found later."""

    def __init__(self) -> None:
        self._number = 0
        """Of the newest line."""
        self._heard: deque[tuple[int, float]] = deque(maxlen=KEPT)
        """Lines that were awaited: number, arrival in monotonic seconds."""

    def restart(self) -> None:
        """Forget the pace: lines were missed, or may have been."""
        self._heard.clear()

    def heard(self, arrived_s: float, *, awaited: bool) -> None:
        """Count a line; learn from one that was `awaited`, whose time is its own."""
        self._number += 1
        if not awaited:
            return
        if self._heard:
            number, last_s = self._heard[-1]
            lines, pace_s = self._number - number, self._pace_s() or arrived_s - last_s
            if abs(arrived_s - last_s - lines * pace_s) > STEADY * pace_s:
                self._heard.clear()
        self._heard.append((self._number, arrived_s))

    def dates(self, lines: int, *, fetched_s: float, unpolled_s: float) -> list[float]:
        """Return when each of the next `lines` came, monotonic seconds; [] where nothing tells.

        Args:
            lines: How many were found together.
            fetched_s: When, monotonic seconds.
            unpolled_s: For how long nobody had looked then.
        """
        pace_s = self._pace_s()
        if pace_s is None or len(self._heard) <= LEARNED:
            return []
        (first, first_s), (last, _) = self._heard[0], self._heard[-1]
        off_s = max(abs(at_s - first_s - (number - first) * pace_s) for number, at_s in self._heard)
        begin_s = first_s + (self._number + 1 - first) * pace_s
        end_s = begin_s + (lines - 1) * pace_s
        slack_s = off_s * (1 + (self._number + lines - last) / (last - first))
        slack_s += LEAST_SLACK * pace_s
        if slack_s > MOST_SLACK * pace_s or begin_s < fetched_s - unpolled_s - slack_s:
            return []
        if not end_s - slack_s <= fetched_s <= end_s + pace_s + slack_s:
            return []
        return [min(begin_s + k * pace_s, fetched_s) for k in range(lines)]

    def _pace_s(self) -> float | None:
        """Seconds from line to line; None before there are two."""
        if len(self._heard) < 2:
            return None
        (first, first_s), (last, last_s) = self._heard[0], self._heard[-1]
        return (last_s - first_s) / (last - first)
