"""The counting circuit of a counter: edges, resolution, time base; no commands."""

import math
import random
from dataclasses import dataclass
from decimal import Decimal

from benchwatch_simulators.oscillator.oscillator import Oscillator

_FREE_GATE_S = 0.01
"""What a counter without a gate averages over."""
_FREE_REFRESH_S = 0.01
"""How often it takes a new measurement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CountingSpec:
    """How a reciprocal counter counts."""

    t_res_s: float = 1e-11
    """Resolution of one time interval: the reading's is t_res over gate (a fraction)."""
    maximum_hz: Decimal = Decimal(200_000_000)
    """Above this the counter reads overrange."""
    wild: float = 0.0
    """Part of the readings that are wild, as by a lost or an extra edge."""
    wild_least: float = 2e-9
    wild_most: float = 2e-8
    """Smallest and largest error of a wild reading, of either sign."""


class Counting:
    """Measures one oscillator against a time base.

    Args:
        spec: resolution and wild readings.
        signal: the oscillator at the input.
        internal: the counter's own time base.
        reference: the station's reference, or None when there is none.
        seed: makes the quantisation and the wild readings.
    """

    def __init__(
        self,
        spec: CountingSpec,
        signal: Oscillator,
        internal: Oscillator,
        reference: Oscillator | None,
        seed: int,
    ) -> None:
        self.spec = spec
        self.signal = signal
        self.internal = internal
        self.reference = reference
        self.reference_present = reference is not None
        self.signal_present = True
        self.external = reference is not None
        self.automatic = True
        self._random = random.Random(seed)
        self._free: tuple[float, float] = (-math.inf, 0.0)

    @property
    def counts_externally(self) -> bool:
        """True when the station's reference is chosen and there."""
        return self.external and self.reference_present

    @property
    def shows_external(self) -> bool:
        """True when it reports external: a choice by command holds without a reference too."""
        return self.counts_externally if self.automatic else self.external

    @property
    def is_sound(self) -> bool:
        """False without a signal, or without the reference that was chosen by command."""
        return self.signal_present and self.shows_external == self.counts_externally

    def tick(self, gate_s: float) -> float:
        """Return the resolution of a reading, as a fraction."""
        return self.spec.t_res_s / (gate_s or _FREE_GATE_S)

    def count(self, start_s: float, gate_s: float) -> Decimal | None:
        """Return the frequency a gate from `start_s` reads, in hertz; None without a signal.

        A gate of 0 returns the last measurement without waiting.
        Infinity means overrange.
        """
        nominal = self.signal.spec.nominal_hz
        if not self.signal_present:
            return None
        if nominal > self.spec.maximum_hz:
            return Decimal("Infinity")
        offset = self._offset(start_s, gate_s)
        tick = self.tick(gate_s)
        # The gate opens anywhere between two ticks: ±1 tick, and right in the mean.
        ticks = math.floor(offset / tick + self._random.random())
        offset = ticks * tick + self._wild_error()
        last_digit = math.floor(math.log10(float(nominal) * tick))
        frequency = nominal + nominal * Decimal(offset)
        return frequency.quantize(Decimal((0, (1,), last_digit)))

    def gained(self, start_s: float, end_s: float) -> float:
        """Return the time the signal gains on the time base over a span, in seconds."""
        return self._against_time_base(start_s, end_s) * (end_s - start_s)

    def random_fraction(self) -> float:
        """Return the place of an edge between two ticks: a random number from 0 to 1."""
        return self._random.random()

    def _offset(self, start_s: float, gate_s: float) -> float:
        if gate_s > 0:
            return self._against_time_base(start_s, start_s + gate_s)
        seen_s, offset = self._free
        if not seen_s <= start_s < seen_s + _FREE_REFRESH_S:
            opened_s = max(0.0, start_s - _FREE_GATE_S)
            offset = self._against_time_base(opened_s, opened_s + _FREE_GATE_S)
            self._free = (start_s, offset)
        return offset

    def _against_time_base(self, start_s: float, end_s: float) -> float:
        base = self.reference if self.counts_externally else self.internal
        y_signal = self.signal.mean_offset(start_s, end_s)
        y_base = 0.0 if base is None else base.mean_offset(start_s, end_s)
        # read = true / (1 + y_base): a fast time base reads low.
        return (y_signal - y_base) / (1.0 + y_base)

    def _wild_error(self) -> float:
        if self.spec.wild == 0 or self._random.random() >= self.spec.wild:
            return 0.0
        size = self._random.uniform(self.spec.wild_least, self.spec.wild_most)
        return math.copysign(size, self._random.random() - 0.5)
