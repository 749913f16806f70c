"""What the screen remembers from picture to picture, so that units and ranges stay put."""

import math
from dataclasses import dataclass, field

from benchwatch.quantity import PPB, OffsetUnit, offset_unit
from benchwatch.screen.amounts import HOUR_S
from benchwatch.screen.ranges import SteadyRange, SteadyWindow
from benchwatch.snapshot import Snapshot, Trace

BAND_SHARE, U_SHARE, NOISE_SHARE = 2.0, 5.0, 6.0
"""A scale reaches at least 2 tolerances and 5 uncertainties; a chart 6 noise spreads."""


@dataclass(slots=True)
class Ranges:
    """Units, scale and chart window of one counter."""

    unit: OffsetUnit = PPB
    drift_unit: OffsetUnit = PPB
    scale: SteadyRange = field(default_factory=SteadyRange)
    chart: SteadyWindow = field(default_factory=SteadyWindow)
    window: tuple[float, float] | None = None

    def follow(self, snapshot: Snapshot, trace: Trace, now_s: float) -> None:
        """Adapt to what is about to be shown."""
        numbers = snapshot.numbers
        offset = _shown_offset(snapshot)
        self.unit = offset_unit(offset, self.unit)
        if numbers.drift is not None:
            self.drift_unit = offset_unit(numbers.drift.per_s * HOUR_S, self.drift_unit)
        sizes = [abs(offset)]
        if numbers.tolerance is not None:
            sizes.append(BAND_SHARE * numbers.tolerance.limit)
        if numbers.estimate is not None and numbers.estimate.u is not None:
            sizes.append(U_SHARE * numbers.estimate.u)
        self.scale.follow(max(sizes) if math.isfinite(offset) else math.nan, now_s)
        seen = [value for value in trace.offset if math.isfinite(value)]
        if seen:
            least = NOISE_SHARE * (numbers.noise or _resolution(snapshot))
            self.window = self.chart.follow(min(seen), max(seen), least, now_s)


def _shown_offset(snapshot: Snapshot) -> float:
    if snapshot.numbers.estimate is not None:
        return snapshot.numbers.estimate.offset
    return snapshot.reading.offset if snapshot.reading is not None else math.nan


def _resolution(snapshot: Snapshot) -> float:
    if snapshot.reading is None or not snapshot.nominal_hz > 0:
        return 0.0
    return snapshot.reading.resolution_hz / snapshot.nominal_hz
