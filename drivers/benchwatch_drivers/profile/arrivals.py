"""Arrival times of the lines of a talk-only counter, also of lines that waited unread.

A line that waited in the operating system's buffer while this computer was busy has no arrival
time of its own. The counter kept its pace meanwhile, so the lines that were read as they came give
the time of each waiting one, unless a line is missing or there is one too many.
"""

import math
from collections import deque
from typing import Final

from benchwatch.counter import Link

LONGEST_UNPOLLED_S: Final = 0.5
"""Lines found after no poll for longer than this are dated by the pace, or not used."""
SPACINGS_LEARNED: Final = 5
"""Number of spacings that make a pace, each near their mean."""
LINES_KEPT: Final = 33
"""Number of newest lines from which the pace is worked out."""
STEADY_SHARE: Final = 0.3
"""Fraction of the pace by which a line may miss its time; a line further off is the first of
another pace."""
LEAST_SLACK_SHARE: Final = 0.1
"""Fraction of the pace by which waiting lines may miss the time in which they can have come."""
MOST_SLACK_SHARE: Final = 0.5
"""Greatest such fraction: with more, a missing line would go unnoticed."""


class Arrivals:
    """Dates the lines of one link, in the order in which they are read.

    Attributes:
        waited: True when the newest line had waited: its time comes from the counter's pace.
    """

    def __init__(self, link: Link) -> None:
        self.waited = False
        self._link = link
        self._pace = Pace()
        self._fetched_s = -math.inf
        """When waiting lines were last fetched."""
        self._dates_s: deque[float] = deque()
        """Arrival times of those fetched lines that are still to be read."""
        self._discards_waiting = False
        self._undated = 0

    def restart(self) -> None:
        """Discard the pace: a line may have been missed."""
        self._pace.restart()

    def discard_waiting_lines(self) -> None:
        """Discard the lines that wait by now: no reading was wanted meanwhile."""
        self._discards_waiting = True

    def newest_s(self) -> float | None:
        """Return when the newest line arrived, monotonic seconds; call it once for each line.

        None where the line had waited for an unknown time; then it must not be used.
        """
        link = self._link
        self.waited = False
        if link.unpolled_s <= LONGEST_UNPOLLED_S:
            self._discards_waiting = False
            self._pace.add(link.arrived_s, awaited=link.unpolled_s == 0.0)
            return link.arrived_s
        if link.fetched_s != self._fetched_s:
            self._fetched_s = link.fetched_s
            self._dates_s = deque(
                ()
                if self._discards_waiting
                else self._pace.dates(
                    link.lines_fetched, fetched_s=link.fetched_s, unpolled_s=link.unpolled_s
                )
            )
        if not self._dates_s:
            self._pace.restart()
            self._undated += not self._discards_waiting
            return None
        self.waited = True
        arrived_s = self._dates_s.popleft()
        self._pace.add(arrived_s, awaited=False)
        return arrived_s

    def undated_before(self) -> int:
        """Return how many lines could not be dated since the last call."""
        count, self._undated = self._undated, 0
        return count


class Pace:
    """The usual time from line to line, learned from lines read as they came."""

    def __init__(self) -> None:
        self._number = 0
        """Number of the newest line."""
        self._lines: deque[tuple[int, float]] = deque(maxlen=LINES_KEPT)
        """Lines that were awaited: number, arrival in monotonic seconds."""

    def restart(self) -> None:
        """Discard the pace: a line was missed, or may have been."""
        self._lines.clear()

    def add(self, arrived_s: float, *, awaited: bool) -> None:
        """Count a line; learn from one that was `awaited`, as its time is exact."""
        self._number += 1
        if not awaited:
            return
        if self._lines:
            number, last_s = self._lines[-1]
            lines, pace_s = self._number - number, self._pace_s() or arrived_s - last_s
            if abs(arrived_s - last_s - lines * pace_s) > STEADY_SHARE * pace_s:
                self._lines.clear()
        self._lines.append((self._number, arrived_s))

    def dates(self, lines: int, *, fetched_s: float, unpolled_s: float) -> list[float]:
        """Return when each of the next `lines` arrived, monotonic seconds; [] where unknown.

        Args:
            lines: How many were fetched together.
            fetched_s: When they were fetched, monotonic seconds.
            unpolled_s: For how long the link had not been polled then.
        """
        pace_s = self._pace_s()
        if pace_s is None or len(self._lines) <= SPACINGS_LEARNED:
            return []
        (first, first_s), (last, _) = self._lines[0], self._lines[-1]
        off_s = max(abs(at_s - first_s - (number - first) * pace_s) for number, at_s in self._lines)
        begin_s = first_s + (self._number + 1 - first) * pace_s
        end_s = begin_s + (lines - 1) * pace_s
        slack_s = off_s * (1 + (self._number + lines - last) / (last - first))
        slack_s += LEAST_SLACK_SHARE * pace_s
        if slack_s > MOST_SLACK_SHARE * pace_s or begin_s < fetched_s - unpolled_s - slack_s:
            return []
        if not end_s - slack_s <= fetched_s <= end_s + pace_s + slack_s:
            return []
        return [min(begin_s + k * pace_s, fetched_s) for k in range(lines)]

    def _pace_s(self) -> float | None:
        """Return the seconds from line to line; None before there are two lines."""
        if len(self._lines) < 2:
            return None
        (first, first_s), (last, last_s) = self._lines[0], self._lines[-1]
        return (last_s - first_s) / (last - first)
