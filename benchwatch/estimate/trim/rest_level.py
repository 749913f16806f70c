"""The level of the readings since hand and trimmer have come to rest after a step."""

import math
from collections import deque
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from benchwatch.estimate.regression import Point

MOST_READINGS: Final = 16
"""Readings of a level, at most: those long after the touch hold drift and creep."""
FEWEST_READINGS: Final = 2
"""Readings that a level needs."""
TRIMMED_DIVISOR: Final = 4
"""One part in so many of the sorted readings is left out at either end: touched ones, spikes."""
TRIMMED_MEAN_U: Final = 1.1
"""sd of the mean of the middle half over that of the mean, for normal noise, by trial."""


class RestingLevel(NamedTuple):
    """The level of readings at rest."""

    offset: float
    """Fractional."""
    u: float
    """Standard uncertainty (k = 1)."""


class RestLevel:
    """The newest readings at rest."""

    def __init__(self) -> None:
        self._points: deque[Point] = deque(maxlen=MOST_READINGS)
        self.from_s = -math.inf
        """Readings before this are not at rest."""

    @property
    def readings(self) -> int:
        """Number of readings at rest."""
        return len(self._points)

    @property
    def full(self) -> bool:
        """Whether the next reading drops the oldest."""
        return len(self._points) == MOST_READINGS

    def begin(self, from_s: float) -> None:
        """Restart with the readings from `from_s` on: by then hand and trimmer are at rest."""
        self.from_s = from_s
        self._points = deque(
            (point for point in self._points if point[0] >= from_s), maxlen=MOST_READINGS
        )

    def clear(self) -> None:
        """Discard the readings: later ones are of another level."""
        self._points.clear()

    def add(self, at_s: float, offset: float) -> None:
        """Take a reading at rest: middle of its gate in seconds, fractional offset."""
        self._points.append((at_s, offset))

    def level_until(self, until_s: float, noise: float | None) -> RestingLevel | None:
        """Return the level of the readings before `until_s`; None where they are too few.

        Args:
            until_s: seconds.
            noise: spread (sd) of single readings, None while unknown.
        """
        values = [offset for at_s, offset in self._points if at_s < until_s]
        count = len(values)
        if count < FEWEST_READINGS:
            return None
        early, late = math.fsum(values[: count // 2]), math.fsum(values[-(count // 2) :])
        moved = (late - early) / (count // 2)
        left_out = count // TRIMMED_DIVISOR
        middle = sorted(values)[left_out : count - left_out]
        scatter = abs(moved) if noise is None else noise
        u = math.hypot(TRIMMED_MEAN_U * scatter / math.sqrt(count), math.sqrt(0.5) * moved)
        return RestingLevel(math.fsum(middle) / len(middle), u)
