"""Where the points of a chart are drawn: from coordinates of the axes to mm."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class PlotArea:
    """The rectangle between the axes, in mm from the upper left corner, and its axes."""

    left: float
    right: float
    top: float
    bottom: float
    x: Mapping[str, Any]
    """The horizontal axis, as in the JSON form of a chart."""
    y: Mapping[str, Any]

    def x_mm(self, value: float) -> float:
        """Return where a value of the horizontal axis is; at most at its ends."""
        return self.left + _share(value, self.x) * (self.right - self.left)

    def y_mm(self, value: float) -> float:
        """Return where a value of the vertical axis is; at most at its ends."""
        return self.bottom - _share(value, self.y) * (self.bottom - self.top)

    def sees_x(self, value: float) -> bool:
        """Return whether a value is on the horizontal axis."""
        return bool(self.x["low"] <= value <= self.x["high"])


def _share(value: float, axis: Mapping[str, Any]) -> float:
    """Return which part of an axis lies below a value, 0 to 1."""
    low, high = float(axis["low"]), float(axis["high"])
    if axis["log"]:
        value, low, high = (math.log10(max(one, 1e-300)) for one in (value, low, high))
    return min(max((value - low) / (high - low), 0.0), 1.0)
