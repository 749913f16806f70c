"""Did the offset leave the limit although nothing had spoken against staying inside it?

A relaxing thermostat comes in like an exponential until it switches, and one turn of a slow
cycle looks like a tail. Nothing in the past tells of the next switch until one was seen; after
each the verdict waits longer.
"""

import math
from collections import deque
from typing import Final

WAITS: Final = (1.0, 3.0, 6.0)
"""Horizons without a verdict after the first, second and any later departure."""
REMEMBERED: Final = 24.0
"""Horizons after which a departure no longer counts."""


class Departures:
    """Levels at which nothing spoke against the verdict, and when the offset left them."""

    def __init__(self) -> None:
        self._calm: deque[tuple[float, float]] = deque(maxlen=256)
        self._times: list[float] = []
        self._last_s = -math.inf

    def nudged(self, at_s: float) -> None:
        """The oscillator was turned at `at_s`: what departed since was that."""
        self._calm.clear()
        self._times = [t for t in self._times if t < at_s]
        if self._last_s >= at_s:
            self._last_s = self._times[-1] if self._times else -math.inf

    def forget(self) -> None:
        """It was not seen for a while."""
        self._calm.clear()
        self._times.clear()
        self._last_s = -math.inf

    def add(
        self, at_s: float, level: float, u: float, *, calm: bool, limit: float, horizon_s: float
    ) -> bool:
        """Take the mean offset of late; True where it is away from a level that it was to keep to.

        Args:
            at_s: now, s.
            level: fractional.
            u: its standard uncertainty.
            calm: nothing speaks against the verdict.
            limit: of the verdict, fractional.
            horizon_s: of the verdict, s.
        """
        while self._calm and self._calm[0][0] < at_s - horizon_s:
            self._calm.popleft()
        away = any(abs(level - was) > limit + 3.0 * u for _, was in self._calm)
        if away:
            if at_s - self._last_s > 0.5 * horizon_s:
                self._times.append(at_s)
            self._last_s = at_s
        if calm:
            self._calm.append((at_s, level))
        return away

    def wait_s(self, at_s: float, horizon_s: float) -> float:
        """How long no verdict can be given, from `at_s` on; 0 when it can."""
        self._times = [t for t in self._times if t > at_s - REMEMBERED * horizon_s]
        if not self._times:
            return 0.0
        wait = WAITS[min(len(self._times), len(WAITS)) - 1] * horizon_s
        return max(self._last_s + wait - at_s, 0.0)
