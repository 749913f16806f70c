"""The counting circuit of a counter, without commands: edges, resolution, time base."""

import math
import random
from dataclasses import dataclass
from decimal import Decimal

from benchwatch_simulators.oscillator.oscillator import MeanOutput, Oscillator

_FREE_GATE_S = 0.01
"""Averaging time of a counter without a gate."""
_FREE_REFRESH_S = 0.01
"""Such a counter takes a new measurement this often."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CountingSpec:
    """Properties of a reciprocal counter."""

    t_res_s: float = 1e-11
    """Resolution of one time interval; that of a reading is t_res / gate, as a fraction."""
    maximum_hz: Decimal = Decimal(200_000_000)
    """Above this the counter reads overrange."""
    reference_plugged: bool = True
    """Whether the station's reference is plugged in at the beginning, if there is one."""
    wild: float = 0.0
    """Part of the readings that are wild, as after a lost or an extra edge."""
    wild_least: float = 2e-9
    wild_most: float = 2e-8
    """Smallest and largest error of a wild reading, as fractions, of either sign."""


class Counting:
    """Measures one oscillator against a time base.

    Args:
        spec: resolution and wild readings.
        signal: the oscillator at the input.
        internal: the counter's own time base.
        reference: the station's reference; None: there is none.
        seed: seed of the quantisation and of the wild readings.

    Attributes:
        reference_present: whether the reference is plugged in.
        signal_present: whether the signal is plugged in.
        external: whether the external reference is selected.
        automatic: whether the selection was left to the counter, not made by a command.
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
        self.reference_present = reference is not None and spec.reference_plugged
        self.signal_present = True
        self.external = reference is not None
        self.automatic = True
        self._random = random.Random(seed)
        self._latest: tuple[float, MeanOutput] | None = None
        """Start and result of the latest measurement without a gate."""

    @property
    def counts_externally(self) -> bool:
        """Whether the station's reference is selected and plugged in."""
        return self.external and self.reference_present

    @property
    def shows_external(self) -> bool:
        """Whether the counter reports external; selected by command, also without a reference."""
        return self.counts_externally if self.automatic else self.external

    @property
    def is_sound(self) -> bool:
        """False without a signal, or without the reference that was selected by command."""
        return self.signal_present and self.shows_external == self.counts_externally

    def tick(self, gate_s: float) -> float:
        """Return the resolution of a reading with gate `gate_s`, as a fraction."""
        return self.spec.t_res_s / (gate_s or _FREE_GATE_S)

    def count(self, start_s: float, gate_s: float) -> Decimal | None:
        """Return the reading of a gate of `gate_s` from `start_s`, in hertz; None without a signal.

        A gate of 0 returns the latest measurement. Infinity means over range.
        """
        if not self.signal_present:
            return None
        read = self._read(start_s, gate_s)
        if read.setting_hz > self.spec.maximum_hz:
            return Decimal("Infinity")
        offset, tick = read.offset, self.tick(gate_s)
        # The gate opens anywhere between two ticks: the error is up to ±1 tick, and 0 on average.
        ticks = math.floor(offset / tick + self._random.random())
        offset = ticks * tick + self._wild_error()
        last_digit = math.floor(math.log10(float(read.setting_hz) * tick))
        frequency = read.setting_hz + read.setting_hz * Decimal(offset)
        return frequency.quantize(Decimal((0, (1,), last_digit)))

    def gained(self, start_s: float, end_s: float) -> float:
        """Return the time in seconds that the signal gains on the time base from start to end.

        The time is that of a clock which the signal drives, made for its nominal.
        """
        read, nominal = self._against_time_base(start_s, end_s), self.signal.spec.nominal_hz
        dialled = float((read.setting_hz - nominal) / nominal)
        return (dialled + (1.0 + dialled) * read.offset) * (end_s - start_s)

    def random_fraction(self) -> float:
        """Return the place of an edge between two ticks: a random number from 0 to 1."""
        return self._random.random()

    def _read(self, start_s: float, gate_s: float) -> MeanOutput:
        """Return what is read over a gate; for a gate of 0 the latest measurement."""
        if gate_s > 0:
            return self._against_time_base(start_s, start_s + gate_s)
        if self._latest is not None:
            seen_s, read = self._latest
            if seen_s <= start_s < seen_s + _FREE_REFRESH_S:
                return read
        opened_s = max(0.0, start_s - _FREE_GATE_S)
        read = self._against_time_base(opened_s, opened_s + _FREE_GATE_S)
        self._latest = (start_s, read)
        return read

    def _against_time_base(self, start_s: float, end_s: float) -> MeanOutput:
        """Return the signal's output with its offset as read against the time base in use."""
        base = self.reference if self.counts_externally else self.internal
        output = self.signal.mean_output(start_s, end_s)
        y_base = 0.0 if base is None else base.mean_offset(start_s, end_s)
        # Reading = true frequency / (1 + y_base): a fast time base reads low.
        return MeanOutput(output.setting_hz, (output.offset - y_base) / (1.0 + y_base))

    def _wild_error(self) -> float:
        if self.spec.wild == 0 or self._random.random() >= self.spec.wild:
            return 0.0
        size = self._random.uniform(self.spec.wild_least, self.spec.wild_most)
        return math.copysign(size, self._random.random() - 0.5)
