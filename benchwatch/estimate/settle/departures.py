"""Departures: times at which the offset left the limit although the forecast had ruled that out.

A thermostat that switches comes in like an exponential until it switches, a saw-tooth is quiet
between its jumps, and one turning point of a slow cycle looks like a tail. No earlier reading shows
that a first switch is coming, so a verdict may be given before it. After one departure the verdict
waits until a cycle of up to `LONGEST_PERIOD_HORIZONS` would have switched again, and after two for
longer than the time between them. A decaying swing is no such cycle.
"""

import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

LONGEST_PERIOD_HORIZONS: Final = 4.0
"""Horizons in the longest cycle that is waited for after one departure."""
FIRST_WAIT_HORIZONS: Final = 3.75
"""Horizons without a verdict after the offset was last seen away from the level it was forecast to
keep. It stays away for up to a horizon, so a cycle of `LONGEST_PERIOD_HORIZONS` switches again
within this time."""
LONE_WAIT_HORIZONS: Final = 1.0
"""The same after a departure that no such cycle explains: the offset was quiet before it for
longer than `LONGEST_PERIOD_HORIZONS`."""
WAIT_INTERVALS: Final = 1.25
"""Time without a verdict over the larger of the last two intervals between departures."""
LONGEST_WAIT_HORIZONS: Final = 8.0
"""Horizons without a verdict at most."""
REMEMBERED_HORIZONS: Final = 24.0
"""Horizons after which a departure no longer counts."""
LARGEST_SPREAD_LIMITS: Final = 0.5
"""Largest spread, in limits, of a forecast that is compared with later readings although no
verdict could be given."""
LATEST_HORIZONS: Final = 0.1
"""Horizons by which a level may be later than the time it was forecast for."""


@dataclass(frozen=True, slots=True)
class ExpectedOffset:
    """The forecast of the offset for the nearest forecast time."""

    in_s: float
    """Seconds from now to that time."""
    change: float
    """Change until then, fractional."""
    spread: float
    """Largest error of the change, fractional."""


class Departures:
    """Levels at which the offset was forecast to stay, and the times at which it left them."""

    def __init__(self) -> None:
        self._quiet: deque[tuple[float, float]] = deque(maxlen=256)
        self._forecast: deque[tuple[float, float, float]] = deque(maxlen=256)
        """Times, offsets forecast for them while no verdict could be given, and their spreads."""
        self.clear()

    def clear(self) -> None:
        """Discard all levels and departures, as after a long gap."""
        self._quiet.clear()
        self._forecast.clear()
        self._times: list[float] = []
        self._last_s = -math.inf
        self._lone = False
        """Whether the first of `_times` came after a longer quiet than in any cycle waited for."""
        self._quiet_from = self._quiet_until = -math.inf
        """The newest quiet stretch, never interrupted for a horizon."""

    def nudged(self, at_s: float) -> None:
        """Drop the levels and the departures since a turn of the trimmer at `at_s`."""
        self._quiet.clear()
        self._drop(at_s, math.inf)

    def explain(self, since_s: float, until_s: float) -> None:
        """Drop the departures from `since_s` to `until_s`: a decaying swing explains them."""
        if any(since_s <= t <= until_s for t in self._times):
            self._drop(since_s, until_s)

    def _drop(self, since_s: float, until_s: float) -> None:
        """Drop the departures from `since_s` to `until_s`."""
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
        quiet: bool,
        limit: float,
        horizon_s: float,
        expected: ExpectedOffset | None = None,
    ) -> bool:
        """Take the newest mean offset; return whether it has left a level it was forecast to keep.

        Args:
            at_s: now, s.
            level: fractional.
            u: standard uncertainty of `level`.
            quiet: whether the forecast change stays within the limit.
            limit: of the verdict, fractional.
            horizon_s: of the verdict, s.
            expected: forecast that is compared with later levels when `quiet` is False.
        """
        while self._quiet and self._quiet[0][0] < at_s - horizon_s:
            self._quiet.popleft()
        away = any(abs(level - was) > limit + 3.0 * u for _, was in self._quiet)
        departed = away
        while self._forecast and self._forecast[0][0] <= at_s:
            when_s, was, spread = self._forecast.popleft()
            in_time = at_s - when_s < LATEST_HORIZONS * horizon_s
            departed |= in_time and abs(level - was) > limit + spread + 3.0 * u
        if departed:
            self._depart(at_s, horizon_s)
        if quiet:
            self._quiet.append((at_s, level))
            if at_s - self._quiet_until > horizon_s:
                self._quiet_from = at_s
            self._quiet_until = at_s
        elif (
            expected is not None
            and expected.spread < LARGEST_SPREAD_LIMITS * limit
            and abs(expected.change) < limit
        ):
            self._forecast.append((at_s + expected.in_s, level + expected.change, expected.spread))
        return away

    def _depart(self, at_s: float, horizon_s: float) -> None:
        """Record a departure at `at_s`."""
        if at_s - self._last_s > 0.5 * horizon_s:
            if not self._times:
                quiet_s = self._quiet_until - self._quiet_from
                just = at_s - self._quiet_until < horizon_s
                self._lone = just and quiet_s > LONGEST_PERIOD_HORIZONS * horizon_s
            self._times.append(at_s)
        self._last_s = at_s
        self._quiet_from = at_s

    def wait_s(self, at_s: float, horizon_s: float) -> float:
        """Return for how many seconds from `at_s` on no verdict can be given; 0 when it can."""
        self._times = [t for t in self._times if t > at_s - REMEMBERED_HORIZONS * horizon_s]
        if not self._times:
            return 0.0
        alone = len(self._times) == 1 and self._lone
        wait_s = (LONE_WAIT_HORIZONS if alone else FIRST_WAIT_HORIZONS) * horizon_s
        intervals = [b - a for a, b in pairwise(self._times[-3:])]
        if intervals:
            wait_s = max(wait_s, WAIT_INTERVALS * max(intervals))
        return max(self._last_s + min(wait_s, LONGEST_WAIT_HORIZONS * horizon_s) - at_s, 0.0)
