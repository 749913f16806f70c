"""Everything the live estimate says after each reading: level, drift, settling, tolerance."""

import math

from benchwatch.estimate.level import Level
from benchwatch.estimate.results import Numbers, SettleLimit, Tolerance


class LiveEstimate:
    """One counter's readings in, `Numbers` out; constant memory, bounded work a reading.

    Args:
        tolerance: limit of the offset (fractional), None when none was asked for.
        settle: what settled means, None when not asked for.
    """

    def __init__(
        self, *, tolerance: float | None = None, settle: SettleLimit | None = None
    ) -> None:
        self._tolerance = tolerance
        self._settle = settle
        self._level = Level()
        self._numbers = Numbers()

    @property
    def numbers(self) -> Numbers:
        """What was said last."""
        return self._numbers

    def gap(self) -> None:
        """Readings were missed: nothing is bridged, the next reading starts afresh."""
        self._level.gap()
        self._numbers = Numbers(last_nudge=self._numbers.last_nudge)

    def add(
        self,
        elapsed_s: float,
        offset: float,
        *,
        gate_s: float | None = None,
        resolution: float = 0.0,
    ) -> Numbers:
        """Take one reading and return the numbers after it.

        Args:
            elapsed_s: middle of the gate, seconds; any origin, the Unix epoch too.
            offset: fractional offset; nan (no usable reading) changes nothing.
            gate_s: gate time, None when unknown.
            resolution: weight of the last digit written, as a fraction; 0 when unknown.
        """
        if not math.isfinite(offset):
            return self._numbers
        now = self._level.add(elapsed_s, offset, gate_s=gate_s, resolution=resolution)
        self._numbers = Numbers(
            estimate=now.estimate,
            last_nudge=now.confirmed_nudge or self._numbers.last_nudge,
            confirmed_nudge=now.confirmed_nudge,
            tolerance=self._judge(now.estimate.offset),
            noise=now.noise,
            suspect=now.suspect,
            spike_at_s=now.spike_at_s,
        )
        return self._numbers

    def _judge(self, offset: float) -> Tolerance | None:
        if self._tolerance is None:
            return None
        return Tolerance(self._tolerance, abs(offset) <= self._tolerance)
