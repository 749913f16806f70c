"""Takes the slow statistics of several counters in turn: those of the counters looked at first."""

import math
from collections import deque
from collections.abc import Sequence
from typing import Final

from benchwatch.clock import Clock
from benchwatch.run.live_counter import LiveCounter

LOOKED_AT_S: Final = 3.0
"""A counter whose trace was fetched within this time is looked at; a screen fetches it all the
time."""
OTHERS_AT_ONCE_S: Final = 0.02
"""Time after which the updates of counters that nobody looks at pause; readings go first."""
OTHERS_SHARE: Final = 0.01
"""Share of the time that these updates take."""


class RefreshTurns:
    """Updates the slow statistics of the counters of a watch; one thread calls it.

    Nobody sees those of a counter that is not looked at, so that they may be older: with fifty of
    them, updating all every second would take more of a processor than the readings do.

    Args:
        clock: tells how long an update took, and when a counter was looked at.
    """

    def __init__(self, clock: Clock) -> None:
        self._turns: deque[LiveCounter] = deque()
        self._clock = clock
        self._others_from_s = -math.inf
        """When counters that nobody looks at are updated again; monotonic seconds."""

    def take(self, counters: Sequence[LiveCounter]) -> None:
        """Update every counter that is looked at, and some of the others.

        Args:
            counters: those of the watch; later calls may have more behind them.
        """
        self._turns.extend(counters[len(self._turns) :])
        now_s = self._clock.monotonic()
        looked_at = [one for one in self._turns if now_s - one.looked_at_s < LOOKED_AT_S]
        for counter in looked_at:
            counter.pipeline.refresh()
        began_s = self._clock.monotonic()
        if began_s < self._others_from_s:
            return
        for _ in range(len(self._turns)):
            counter = self._turns[0]
            self._turns.rotate(-1)
            if counter in looked_at:
                continue
            counter.pipeline.refresh()
            if self._clock.monotonic() - began_s >= OTHERS_AT_ONCE_S:
                break
        now_s = self._clock.monotonic()
        self._others_from_s = now_s + (now_s - began_s) / OTHERS_SHARE
