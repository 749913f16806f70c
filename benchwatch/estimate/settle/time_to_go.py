"""How long until the settle verdict can be given, from how fast the excess falls.

The excess is the largest change that can't be ruled out, in limits: 1 and less is settled. While an
oven comes in it falls by about the same share in every minute, so the time to go ends where the
exponential through the last third of it comes down to 1. Those through two thirds and through all
of it give other answers, and the range reaches from the earliest to the latest: noise and a
decaying swing make them differ. The time that an exponential fitted to the offset takes to move by
less than the limit is shorter: it includes neither the slow tail nor how long the verdict waits to
be sure, and on made warm-ups its range held the true time in one case of ten.
"""

import math
from typing import Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.regression import centred_arrays

SHARES: Final = (1.0 / 3.0, 2.0 / 3.0, 1.0)
"""Newest parts of the time since the start that are fitted; the first gives the middle of the
range, as an oven slows down while it comes in."""
FEWEST: Final = 4
MOST: Final = 96
"""Points kept; then every second one is dropped."""
LARGEST_SCATTER: Final = 0.3
"""Scatter about any of them, in shares of its fall, above which the time is unknown."""
LONGEST: Final = (4.0, 9.0, 9.0)
"""Times since the start that each may take to come down to 1."""
STALE: Final = 0.3
"""Part of the time since the start after which an answer that was not renewed is dropped."""
TIMES: Final = (0.6, 1.3, 4.0)
"""Times the earliest, the newest and the latest answer: of looks at made warm-ups with slow tails,
overshoots, ringing and flicker noise 1 to 6 % are through before the first, about half before the
second, and 1 to 10 % not before the last (tests/benchmarks/test_quality_time_to_go.py)."""


class TimeToGo:
    """Remembers the excess; bounded, and O(1) in the mean for each `add`."""

    def __init__(self) -> None:
        self._points: list[tuple[float, float]] = []
        self._found: tuple[float, float, float] | None = None
        """Times at which it may be settled, as found last: low, middle, high."""
        self._found_at = -math.inf

    def add(self, at_s: float, excess: float) -> None:
        """Take the largest change that can't be ruled out, in limits, at `at_s` seconds."""
        if not (math.isfinite(excess) and excess > 0.0):
            return
        log_excess = math.log(excess)
        self._points.append((at_s, log_excess))
        if len(self._points) > MOST:
            del self._points[1::2]
        if log_excess <= 0.0:
            return
        points = np.array(self._points)
        answers = [_to_one_s(points, *one) for one in zip(SHARES, LONGEST, strict=True)]
        known = [one for one in answers if one is not None]
        if len(known) == len(answers):
            self._found_at = at_s
            early, middle, late = TIMES
            self._found = (
                at_s + early * min(known),
                at_s + middle * known[0],
                at_s + late * max(known),
            )

    def forget(self) -> None:
        """Begin anew: the oscillator was turned, or not seen for a while."""
        self._points.clear()
        self._found = None

    def seconds(self, given_after_s: float) -> tuple[float, float, float] | None:
        """Seconds from the newest point on: low, middle, high; None when unknown.

        Args:
            given_after_s: how long the excess must be below 1 before the verdict is given.
        """
        if not self._points:
            return None
        now, newest = self._points[-1]
        if newest <= 0.0:
            return 0.0, given_after_s, 2.0 * given_after_s
        stale = now - self._found_at > STALE * (now - self._points[0][0])
        if self._found is None or self._found[2] <= now or stale:
            return None
        low, middle, high = (max(at_s - now, 0.0) for at_s in self._found)
        return low, max(middle, high / 4.0) + given_after_s, high + 2.0 * given_after_s


def _to_one_s(points: FloatArray, share: float, longest: float) -> float | None:
    """Return how long the exponential through the newest points takes to come down to 1.

    Args:
        points: times in seconds and logarithms, shape (n, 2), the newest last and above 0.
        share: of the time since the first, fitted.
        longest: times since the first, no answer above.

    Returns:
        Seconds from the newest point on; None where they do not fall evenly.
    """
    now, newest = points[-1].tolist()
    gone_s = now - float(points[0, 0])
    newer = points[int(points[:, 0].searchsorted(now - share * gone_s)) :]
    if len(newer) < FEWEST:
        return None
    sums, _, _ = centred_arrays(newer[:, 0], newer[:, 1])
    rate = -sums.slope
    fall = rate * float(newer[-1, 0] - newer[0, 0])
    scatter = math.sqrt(sums.residual_sum / len(newer))
    if fall <= 0.0 or scatter > LARGEST_SCATTER * fall or newest > longest * rate * gone_s:
        return None
    return time_to_fall(math.exp(newest), 1.0 / rate, 1.0)


def time_to_fall(amplitude: float, time_constant_s: float, to: float) -> float:
    """Seconds for an exponential to fall from `amplitude` to `to`: T·ln(A/ε); 0 when it has."""
    return time_constant_s * max(0.0, math.log(max(abs(amplitude), to) / to))
