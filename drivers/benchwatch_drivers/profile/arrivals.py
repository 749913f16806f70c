"""When the lines of a counter that talks by itself came, those that had waited among them."""

import math
from collections import deque
from typing import Final

from benchwatch.counter import Link
from benchwatch_drivers.profile.pace import Pace

AWAY_S: Final = 0.5
"""Lines for which nobody looked for longer than this are dated by the pace, or not used."""


class Arrivals:
    """Dates the lines of one link, in the order in which they are heard.

    Attributes:
        waited: The newest line had waited; its time was worked out from the counter's pace.
    """

    def __init__(self, link: Link) -> None:
        self.waited = False
        self._link = link
        self._pace = Pace()
        self._fetched_s = -math.inf
        """When the newest lines were found that had waited."""
        self._dates_s: deque[float] = deque()
        """When those of them came that are still to be heard."""
        self._lets_go_by = False
        self._passed_over = 0

    def restart(self) -> None:
        """Forget the pace: a line may have been missed."""
        self._pace.restart()

    def discard_waiting_lines(self) -> None:
        """Let lines that wait by now go by: none was wanted meanwhile."""
        self._lets_go_by = True

    def newest_s(self) -> float | None:
        """Return when the newest line came, monotonic seconds; to be called once for each line.

        None where it had waited and nothing tells for how long; it must not be used.
        """
        link = self._link
        self.waited = False
        if link.unpolled_s <= AWAY_S:
            self._lets_go_by = False
            self._pace.heard(link.arrived_s, awaited=link.unpolled_s == 0.0)
            return link.arrived_s
        if link.fetched_s != self._fetched_s:
            self._fetched_s = link.fetched_s
            self._dates_s = deque(
                ()
                if self._lets_go_by
                else self._pace.dates(
                    link.lines_fetched, fetched_s=link.fetched_s, unpolled_s=link.unpolled_s
                )
            )
        if not self._dates_s:
            self._pace.restart()
            self._passed_over += not self._lets_go_by
            return None
        self.waited = True
        arrived_s = self._dates_s.popleft()
        self._pace.heard(arrived_s, awaited=False)
        return arrived_s

    def undated_before(self) -> int:
        """Return how many lines could not be dated since this was asked last."""
        count, self._passed_over = self._passed_over, 0
        return count
