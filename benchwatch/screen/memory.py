"""What the screen remembers from picture to picture, so that units and ranges stay put."""

import math
from collections import defaultdict
from dataclasses import dataclass, field

from benchwatch.quantity import OFFSET_UNITS, PPB, OffsetUnit, offset_unit
from benchwatch.screen.amounts import HOUR_S
from benchwatch.screen.ranges import SteadyRange, SteadyWindow
from benchwatch.snapshot import Snapshot, Trace

BAND_SHARE, U_SHARE, NOISE_SHARE = 2.0, 5.0, 6.0
"""A scale reaches at least 2 tolerances and 5 uncertainties; a chart 6 noise spreads."""


@dataclass(slots=True)
class Ranges:
    """Units, scale and chart windows of one counter."""

    unit: OffsetUnit = PPB
    drift_unit: OffsetUnit = PPB
    scale: SteadyRange = field(default_factory=SteadyRange)
    windows: dict[str, SteadyWindow] = field(default_factory=lambda: defaultdict(SteadyWindow))
    """One a view."""
    _fitting: OffsetUnit = PPB

    def follow(self, snapshot: Snapshot, now_s: float, unit: str = "") -> None:
        """Adapt units and scale to what is about to be shown; a `unit` named is a wish."""
        numbers = snapshot.numbers
        offset = _shown_offset(snapshot)
        asked = [one for one in OFFSET_UNITS if one.name == unit]
        self._fitting = offset_unit(offset, self._fitting)
        self.unit = asked[0] if asked else self._fitting
        if numbers.drift is not None:
            self.drift_unit = offset_unit(numbers.drift.per_s * HOUR_S, self.drift_unit)
        sizes = [abs(offset)]
        if numbers.tolerance is not None:
            sizes.append(BAND_SHARE * numbers.tolerance.limit)
        if numbers.estimate is not None and numbers.estimate.u is not None:
            sizes.append(U_SHARE * numbers.estimate.u)
        tool = snapshot.trim.tool if snapshot.trim is not None else None
        if tool is not None and tool.on:
            sizes.append(abs(tool.aim))
        self.scale.follow(max(sizes) if math.isfinite(offset) else math.nan, now_s)

    def window(
        self, view: str, snapshot: Snapshot, trace: Trace, now_s: float
    ) -> tuple[float, float] | None:
        """Return the y axis of the chart of offsets in `view`."""
        seen = [value for value in trace.offset if math.isfinite(value)]
        if view == "warm_up" and snapshot.warm_up is not None:
            seen += [value for value in snapshot.warm_up.curve.offset if math.isfinite(value)]
        least = NOISE_SHARE * (snapshot.numbers.noise or _resolution(snapshot))
        low, high = (min(seen), max(seen)) if seen else (math.nan, math.nan)
        return self.windows[view].follow(low, high, least, now_s)


def _shown_offset(snapshot: Snapshot) -> float:
    if snapshot.numbers.estimate is not None:
        return snapshot.numbers.estimate.offset
    return snapshot.reading.offset if snapshot.reading is not None else math.nan


def _resolution(snapshot: Snapshot) -> float:
    if snapshot.reading is None or not snapshot.nominal_hz > 0:
        return 0.0
    return snapshot.reading.resolution_hz / snapshot.nominal_hz
