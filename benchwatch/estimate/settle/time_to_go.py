"""How long until the settle verdict can be given, from how fast the excess falls.

The excess is the largest change that can't be ruled out, in limits: 1 and less is settled. While an
oven comes in, the excess falls by about the same share in every minute, so the time to go ends
where an exponential through the last third of its values comes down to 1. Exponentials through the
last two thirds and through all values give other times, as noise and a decaying swing make them
differ; the range reaches from the earliest to the latest. An exponential fitted to the offset
itself gives too short a time: it includes neither the slow tail nor the delay of the verdict, and
on made warm-ups its range held the true time in one case of ten.
"""

import math
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.regression import centred_arrays

FITTED_SHARES: Final = (1.0 / 3.0, 2.0 / 3.0, 1.0)
"""Newest parts of the time since the start that are fitted; the first gives the middle of the
range, as an oven slows down while it comes in."""
FEWEST_POINTS: Final = 4
MOST_POINTS: Final = 96
"""Most points kept; above that, every second one is dropped."""
LARGEST_SCATTER: Final = 0.3
"""Scatter about a fit, as a share of its fall, above which the time is unknown."""
LONGEST_RATIOS: Final = (4.0, 9.0, 9.0)
"""Longest time to come down to 1 of each fit, in multiples of the time since the first point."""
STALE_SHARE: Final = 0.3
"""Share of the time since the first point after which an answer that was not renewed is dropped."""
TIME_FACTORS: Final = (0.6, 1.3, 4.0)
"""Factors on the earliest answer, that of the newest part and the latest one. Of evaluations of
made warm-ups with slow tails, overshoots, ringing and flicker noise 1 to 6 % settle before the
first time, about half before the second, and 1 to 10 % after the last
(tests/benchmarks/test_quality_time_to_go.py)."""


class TimeToGo:
    """Fits the excess so far; bounded memory and bounded work for each `add`."""

    def __init__(self) -> None:
        self._points: list[tuple[float, float]] = []
        self._found: tuple[float, float, float] | None = None
        """Times at which the excess may reach 1, as found last: low, middle, high."""
        self._found_at = -math.inf

    def add(self, at_s: float, excess: float) -> None:
        """Take the largest change that can't be ruled out, in limits, at `at_s` seconds."""
        if not (math.isfinite(excess) and excess > 0.0):
            return
        log_excess = math.log(excess)
        self._points.append((at_s, log_excess))
        if len(self._points) > MOST_POINTS:
            del self._points[1::2]
        if log_excess <= 0.0:
            return
        points = np.array(self._points)
        answers = [
            _seconds_to_one(points, *one) for one in zip(FITTED_SHARES, LONGEST_RATIOS, strict=True)
        ]
        known = [one for one in answers if one is not None]
        if len(known) == len(answers):
            self._found_at = at_s
            early, middle, late = TIME_FACTORS
            self._found = (
                at_s + early * min(known),
                at_s + middle * known[0],
                at_s + late * max(known),
            )

    def clear(self) -> None:
        """Discard all points, as after a nudge or a long gap."""
        self._points.clear()
        self._found = None

    def seconds(self, given_after_s: float) -> tuple[float, float, float] | None:
        """Return the seconds from the newest point on: low, middle, high; None when unknown.

        Args:
            given_after_s: how long the excess must be below 1 before the verdict is given.
        """
        if not self._points:
            return None
        now, newest = self._points[-1]
        if newest <= 0.0:
            return 0.0, given_after_s, 2.0 * given_after_s
        stale = now - self._found_at > STALE_SHARE * (now - self._points[0][0])
        if self._found is None or self._found[2] <= now or stale:
            return None
        low, middle, high = (max(at_s - now, 0.0) for at_s in self._found)
        return low, max(middle, high / 4.0) + given_after_s, high + 2.0 * given_after_s


def _seconds_to_one(points: FloatArray, share: float, longest: float) -> float | None:
    """Return how long the exponential through the newest points takes to come down to 1.

    Args:
        points: times in seconds and logarithms, shape (n, 2), the newest last and above 0.
        share: newest part of the time since the first point that is fitted.
        longest: longest answer, in multiples of the time since the first point.

    Returns:
        Seconds from the newest point on; None where the points do not fall evenly.
    """
    now, newest = points[-1].tolist()
    gone_s = now - float(points[0, 0])
    newer = points[int(points[:, 0].searchsorted(now - share * gone_s)) :]
    if len(newer) < FEWEST_POINTS:
        return None
    sums, _, _ = centred_arrays(newer[:, 0], newer[:, 1])
    rate = -sums.slope
    fall = rate * float(newer[-1, 0] - newer[0, 0])
    scatter = math.sqrt(sums.residual_sum / len(newer))
    if fall <= 0.0 or scatter > LARGEST_SCATTER * fall or newest > longest * rate * gone_s:
        return None
    return time_to_fall(math.exp(newest), 1.0 / rate, 1.0)


def time_to_fall(amplitude: float, time_constant_s: float, to: float) -> float:
    """Return the seconds for an exponential to fall from `amplitude` to `to`, T·ln(A/to); ≥ 0."""
    return time_constant_s * max(0.0, math.log(max(abs(amplitude), to) / to))
