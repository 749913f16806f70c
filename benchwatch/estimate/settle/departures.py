"""Did the offset leave the limit although nothing had spoken against staying inside it?

A relaxing thermostat comes in like an exponential until it switches, a saw-tooth is quiet between
its jumps, and one turn of a slow cycle looks like a tail. Nothing in the past tells of the first
such switch that the warm-up does not hide: a verdict may be given before it. From then on the
verdict waits until a cycle of up to `LONGEST_PERIOD` horizons would have switched again, and after
two for longer than from the one to the other. A swing that dies away is no such cycle.
"""

import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

LONGEST_PERIOD: Final = 4.0
"""Horizons in the longest cycle that is waited for after one departure."""
FIRST: Final = 3.75
"""Horizons without a verdict after the offset was last seen away. It is away from what was to be
for up to a horizon, so that a cycle of `LONGEST_PERIOD` switches again before these are over."""
LONE: Final = 1.0
"""The same after a departure that no such cycle makes: it was calm for longer before it."""
LONGER: Final = 1.25
"""Times the larger of the last two intervals between departures without a verdict."""
LONGEST: Final = 8.0
"""Horizons without a verdict at most."""
REMEMBERED: Final = 24.0
"""Horizons after which a departure no longer counts."""
SOON: Final = 0.5
"""Limits of uncertainty up to which a forecast is compared with what comes, while nothing was to
stay within the limit."""
IN_TIME: Final = 0.1
"""Horizons by which a level may be later than the time that was forecast."""


@dataclass(frozen=True, slots=True)
class ExpectedOffset:
    """What the offset will do soon."""

    in_s: float
    """When, in seconds from now on."""
    change: float
    """Fractional, until then ..."""
    off: float
    """... and how far that may be off."""


class Departures:
    """Levels at which nothing spoke against the verdict, and when the offset left them."""

    def __init__(self) -> None:
        self._calm: deque[tuple[float, float]] = deque(maxlen=256)
        self._forecast: deque[tuple[float, float, float]] = deque(maxlen=256)
        """Times ahead, offsets told for them while a verdict could not be given, how far off."""
        self.forget()

    def forget(self) -> None:
        """It was not seen for a while."""
        self._calm.clear()
        self._forecast.clear()
        self._times: list[float] = []
        self._last_s = -math.inf
        self._lone = False
        """Whether the first of `_times` came after a calm longer than any cycle waited for."""
        self._calm_from = self._calm_until = -math.inf
        """The newest stretch in which it was calm, never interrupted for a horizon."""

    def nudged(self, at_s: float) -> None:
        """The oscillator was turned at `at_s`: what departed since was that."""
        self._calm.clear()
        self._drop(at_s, math.inf)

    def dies_away(self, since_s: float, until_s: float) -> None:
        """A swing that dies away was seen in that time: what departed meanwhile was that."""
        if any(since_s <= t <= until_s for t in self._times):
            self._drop(since_s, until_s)

    def _drop(self, since_s: float, until_s: float) -> None:
        """Forget the departures of a time."""
        self._forecast.clear()
        self._times = [t for t in self._times if not since_s <= t <= until_s]
        if since_s <= self._last_s <= until_s:
            self._last_s = self._times[-1] if self._times else -math.inf

    def add(
        self,
        at_s: float,
        level: float,
        u: float,
        *,
        calm: bool,
        limit: float,
        horizon_s: float,
        expected: ExpectedOffset | None = None,
    ) -> bool:
        """Take the mean offset of late; True where it is away from a level that it was to keep to.

        Args:
            at_s: now, s.
            level: fractional.
            u: its standard uncertainty.
            calm: nothing speaks against the verdict.
            limit: of the verdict, fractional.
            horizon_s: of the verdict, s.
            expected: compared with what comes when it is not calm.
        """
        while self._calm and self._calm[0][0] < at_s - horizon_s:
            self._calm.popleft()
        away = any(abs(level - was) > limit + 3.0 * u for _, was in self._calm)
        departed = away
        while self._forecast and self._forecast[0][0] <= at_s:
            when_s, was, off = self._forecast.popleft()
            in_time = at_s - when_s < IN_TIME * horizon_s
            departed |= in_time and abs(level - was) > limit + off + 3.0 * u
        if departed:
            self._depart(at_s, horizon_s)
        if calm:
            self._calm.append((at_s, level))
            if at_s - self._calm_until > horizon_s:
                self._calm_from = at_s
            self._calm_until = at_s
        elif expected is not None and expected.off < SOON * limit and abs(expected.change) < limit:
            self._forecast.append((at_s + expected.in_s, level + expected.change, expected.off))
        return away

    def _depart(self, at_s: float, horizon_s: float) -> None:
        """Note that it is away now."""
        if at_s - self._last_s > 0.5 * horizon_s:
            if not self._times:
                calm_s = self._calm_until - self._calm_from
                just = at_s - self._calm_until < horizon_s
                self._lone = just and calm_s > LONGEST_PERIOD * horizon_s
            self._times.append(at_s)
        self._last_s = at_s
        self._calm_from = at_s

    def wait_s(self, at_s: float, horizon_s: float) -> float:
        """How long no verdict can be given, from `at_s` on; 0 when it can."""
        self._times = [t for t in self._times if t > at_s - REMEMBERED * horizon_s]
        if not self._times:
            return 0.0
        alone = len(self._times) == 1 and self._lone
        wait_s = (LONE if alone else FIRST) * horizon_s
        intervals = [b - a for a, b in pairwise(self._times[-3:])]
        if intervals:
            wait_s = max(wait_s, LONGER * max(intervals))
        return max(self._last_s + min(wait_s, LONGEST * horizon_s) - at_s, 0.0)
