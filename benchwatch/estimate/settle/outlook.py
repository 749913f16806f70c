"""How long until the settle verdict can be given, from how what stands in its way shrinks.

What stands in the way is the largest change that can't be ruled out, in limits: 1 and less is
settled. While an oven comes in it falls by about the same share in every minute, so that the
time to go is the time at which the exponential through its last third comes down to 1. The
time that an exponential fitted to the offset takes to move by less than the limit is another,
earlier one: it knows neither the slow tail nor how long the verdict waits to be sure, and on
made warm-ups its range held the true time in one case of ten.
"""

import math
from typing import Final

import numpy as np

SHARE: Final = 1.0 / 3.0
"""Of the time since the start, the newest part of it: an oven slows down as it comes in."""
FEWEST: Final = 4
MOST: Final = 96
"""Points kept; then every second one is dropped."""
LOOSEST: Final = 0.3
"""Scatter about the exponential, in shares of its fall, above which there is no telling."""
SHARES_OF_IT: Final = (0.6, 1.3, 4.8)
"""Times the exponential's own answer: of looks at made warm-ups with slow tails, overshoots,
ringing and flicker noise 2 to 6 % are through before the first, about half before the second, and
5 to 18 % not before the last (tests/benchmarks/test_quality_outlook.py)."""


class Outlook:
    """Remembers what stood in the way; bounded, and O(1) in the mean for each `add`."""

    def __init__(self) -> None:
        self._points: list[tuple[float, float]] = []
        self._told: tuple[float, float, float] | None = None
        """Times at which it may be settled, as told last: low, middle, high."""

    def add(self, at_s: float, excess: float) -> None:
        """Take the largest change that can't be ruled out, in limits, as of `at_s` seconds."""
        if not (math.isfinite(excess) and excess > 0.0):
            return
        self._points.append((at_s, math.log(excess)))
        if len(self._points) > MOST:
            del self._points[1::2]
        exponential_s = self._exponential_s()
        if exponential_s is not None:
            low, middle, high = (at_s + share * exponential_s for share in SHARES_OF_IT)
            self._told = low, middle, high

    def forget(self) -> None:
        """The oscillator was turned, or not seen for a while: begin anew."""
        self._points.clear()
        self._told = None

    def to_go(self, patience_s: float) -> tuple[float, float, float] | None:
        """Seconds from the newest point on: low, middle, high; None when there is no telling.

        Args:
            patience_s: how long the way must have been free before the verdict is given.
        """
        if not self._points:
            return None
        now, newest = self._points[-1]
        if newest <= 0.0:
            return 0.0, patience_s, 2.0 * patience_s
        if self._told is None or self._told[2] <= now:
            return None
        low, middle, high = (max(at_s - now, 0.0) for at_s in self._told)
        return low, max(middle, high / 4.0) + patience_s, high + 2.0 * patience_s

    def _exponential_s(self) -> float | None:
        """How long the exponential through the newest points takes to come down to 1."""
        now, newest = self._points[-1]
        gone_s = now - self._points[0][0]
        points = np.array([p for p in self._points if p[0] >= now - SHARE * gone_s])
        if newest <= 0.0 or len(points) < FEWEST:
            return None
        t, log_excess = points[:, 0] - now, points[:, 1]
        away, above = t - t.mean(), log_excess - log_excess.mean()
        rate = -float(away @ above) / float(away @ away)
        fall = rate * float(t[-1] - t[0])
        scatter = float(np.std(above + rate * away))
        if fall <= 0.0 or scatter > LOOSEST * fall or newest > 4.0 * rate * gone_s:
            return None
        return time_to_fall(math.exp(newest), 1.0 / rate, 1.0)


def time_to_fall(amplitude: float, time_constant_s: float, to: float) -> float:
    """Seconds for an exponential to fall from `amplitude` to `to`: T·ln(A/ε); 0 when it has."""
    return time_constant_s * max(0.0, math.log(max(abs(amplitude), to) / to))
