"""Ranges of scales and charts: 1-2-5 steps that do not flicker.

A range grows at once, so that nothing runs off the scale, and shrinks only when the value
has stayed well inside the smaller range for a while.
"""

import math
from dataclasses import dataclass, field

SHRINK_AFTER_S = 1.5
"""How long the values must have fitted a smaller range before the range shrinks."""
NARROW_AFTER_S = 5.0
"""How long a figure must have needed fewer digits before its places shrink."""
GROW_AT = 0.95
"""Part of a range beyond which a value makes the range grow."""
SHRINK_BELOW = 0.7
"""Part of a smaller range that a value may fill before the range shrinks to that."""
SMALLEST_RANGE = 1e-15
"""Fractional."""


def step_up(value: float) -> float:
    """Return the smallest of ... 1, 2, 5, 10, 20 ... that is not below `value`."""
    if not SMALLEST_RANGE < value < math.inf:
        return SMALLEST_RANGE
    decade = 10.0 ** math.floor(math.log10(value))
    for factor in (1.0, 2.0, 5.0):
        if value <= factor * decade * (1 + 1e-9):
            return factor * decade
    return 10.0 * decade


@dataclass(slots=True)
class SteadyRange:
    """The half range of a centre-zero scale."""

    full: float | None = None
    """The value at the ends; None before the first value."""
    _small_since_s: float | None = field(default=None, repr=False)

    def follow(self, size: float, now_s: float) -> float | None:
        """Return the half range for a value of magnitude `size`; nan changes nothing."""
        if not math.isfinite(size):
            return self.full
        wanted = step_up(size / GROW_AT)
        if self.full is None or wanted > self.full:
            self.full, self._small_since_s = wanted, None
        elif step_up(size / SHRINK_BELOW) < self.full:
            if self._small_since_s is None:
                self._small_since_s = now_s
            if now_s - self._small_since_s >= SHRINK_AFTER_S:
                self.full, self._small_since_s = step_up(size / SHRINK_BELOW), None
        else:
            self._small_since_s = None
        return self.full


@dataclass(slots=True)
class SteadyWindow:
    """The lower and upper end of a chart's axis, on whole multiples of a 1-2-5 step."""

    low: float | None = None
    high: float | None = None
    _small_since_s: float | None = field(default=None, repr=False)

    def follow(
        self, low: float, high: float, least: float, now_s: float
    ) -> tuple[float, float] | None:
        """Return the ends of the axis for values from `low` to `high`, at least `least` apart."""
        if not (math.isfinite(low) and math.isfinite(high)):
            return self._window
        wanted = _rounded_window(low, high, least)
        fits = self._window is not None and self._window[0] <= low and high <= self._window[1]
        if not fits:
            self._take(wanted)
        elif self._width > 2.5 * (wanted[1] - wanted[0]):
            if self._small_since_s is None:
                self._small_since_s = now_s
            if now_s - self._small_since_s >= SHRINK_AFTER_S:
                self._take(wanted)
        else:
            self._small_since_s = None
        return self._window

    @property
    def _window(self) -> tuple[float, float] | None:
        return None if self.low is None or self.high is None else (self.low, self.high)

    @property
    def _width(self) -> float:
        return math.inf if self.low is None or self.high is None else self.high - self.low

    def _take(self, window: tuple[float, float]) -> None:
        (self.low, self.high), self._small_since_s = window, None


@dataclass(slots=True)
class SteadyPlaces:
    """The number of digits before a figure's point: it grows at once and shrinks late."""

    places: int = 0
    _narrow_since_s: float | None = field(default=None, repr=False)
    _most: int = field(default=0, repr=False)

    def follow(self, needed: int, now_s: float) -> int:
        """Return the number of digits for a figure that needs `needed` of them now."""
        if needed >= self.places:
            self.places, self._narrow_since_s = needed, None
        elif self._narrow_since_s is None:
            self._narrow_since_s, self._most = now_s, needed
        else:
            self._most = max(self._most, needed)
            if now_s - self._narrow_since_s >= NARROW_AFTER_S:
                self.places, self._narrow_since_s = self._most, None
        return self.places


def _rounded_window(low: float, high: float, least: float) -> tuple[float, float]:
    """Return the ends, on multiples of a 1-2-5 step, of an axis that holds `low` and `high`."""
    centre, half = (low + high) / 2, max(high - low, least, SMALLEST_RANGE) / 2
    step = step_up(half / 2)
    return (
        step * math.floor((centre - half) / step + 1e-9),
        step * math.ceil((centre + half) / step - 1e-9),
    )
