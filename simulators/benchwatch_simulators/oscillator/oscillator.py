"""A simulated oven oscillator from power-on: warm-up, ageing, noise, a trimmer, and a dial."""

import math
import threading
from dataclasses import dataclass, field
from decimal import Decimal

from benchwatch.errors import UsageError
from benchwatch.quantity import EXACT, format_frequency
from benchwatch_simulators.oscillator.dial import Dial, DialSpec
from benchwatch_simulators.oscillator.oscillator_noise import FrequencyNoise, PhaseNoise
from benchwatch_simulators.oscillator.trimmer import SimulatedTrimmer, TrimmerSpec

_DAY_S = 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OscillatorSpec:
    """Properties of an oscillator; offsets and deviations are fractions of the nominal."""

    nominal_hz: Decimal = Decimal(10_000_000)
    landing: float = 0.0
    """Offset once warm, before anybody trims."""
    warm_up: tuple[tuple[float, float], ...] = ()
    """Exponentials from power-on: (amplitude, time constant in seconds), usually a large quick one
    and a small slow one; a slow one of the other sign makes the oven overshoot."""
    ageing_per_day: float = 0.0
    white_fm: float = 0.0
    """Allan deviation at 1 s."""
    flicker_fm: float = 0.0
    """Allan deviation of the flicker floor."""
    random_walk_fm: float = 0.0
    """Allan deviation at 1 s."""
    white_pm_s: float = 0.0
    """Rms time error of one edge, seconds."""
    trimmer: TrimmerSpec = field(default_factory=TrimmerSpec)
    dial: DialSpec | None = None
    """The dial of the synthesizer whose time base this is; None: the output is the nominal."""


@dataclass(frozen=True, slots=True)
class MeanOutput:
    """What an output was over a span."""

    setting_hz: Decimal
    """Mean of the settings: the nominal, or what was dialled."""
    offset: float
    """Mean offset from it, a fraction of it."""


class Oscillator:
    """One oscillator; times are seconds since power-on. Safe to use from several threads.

    Args:
        spec: properties of the oscillator.
        seed: seed of the noise.
    """

    def __init__(self, spec: OscillatorSpec, seed: int) -> None:
        self.spec = spec
        self._trimmer = SimulatedTrimmer(spec.trimmer)
        self._noise = FrequencyNoise(
            seed, white=spec.white_fm, flicker=spec.flicker_fm, walk=spec.random_walk_fm
        )
        self._edges = PhaseNoise(seed, spec.white_pm_s)
        self._dial = Dial(spec.nominal_hz)
        self._lock = threading.Lock()

    def turn(self, at_s: float, turns: float) -> None:
        """Turn the trimmer by `turns` at `at_s`; positive raises the frequency."""
        with self._lock:
            self._trimmer.turn(at_s, turns)

    def rest_tool(self, at_s: float, *, on: bool) -> None:
        """Rest a tool on the trimmer at `at_s` (`on`), or lift it."""
        with self._lock:
            self._trimmer.rest_tool(at_s, on=on)

    def dial(self, at_s: float, setting_hz: Decimal) -> None:
        """Set the output at `at_s` to `setting_hz`.

        Raises:
            UsageError: there is no dial, or it has no such setting.
        """
        if self.spec.dial is None:
            nominal = format_frequency(self.spec.nominal_hz)
            raise UsageError(f"it has no dial: its output is {nominal} at all times.")
        if refusal := self.spec.dial.refusal(setting_hz):
            raise UsageError(refusal)
        with self._lock:
            self._dial.set(at_s, setting_hz)

    def truth(self, at_s: float) -> float:
        """Return the fractional offset from the setting at `at_s`, without noise."""
        spec = self.spec
        warming = sum(a * math.exp(-at_s / lag_s) for a, lag_s in spec.warm_up)
        with self._lock:
            trimmed = self._trimmer.offset(at_s)
            missed = self._miss_at(self._dial.at(at_s))
        return spec.landing + spec.ageing_per_day * at_s / _DAY_S + warming + trimmed + missed

    def mean_output(self, start_s: float, end_s: float) -> MeanOutput:
        """Return the output over [start_s, end_s], also where the dial was turned within it.

        Raises:
            ValueError: the span is empty or starts before power-on.
        """
        with self._lock:
            stretches = self._dial.stretches(start_s, end_s)
        if len(stretches) <= 1:
            setting_hz = stretches[0][0] if stretches else self.spec.nominal_hz
            offset = self.mean_offset(start_s, end_s) + self._miss_at(setting_hz)
            return MeanOutput(setting_hz, offset)
        # Cycles of each stretch, and what its offset adds to them; the means are over the span.
        cycles, gained = Decimal(0), 0.0
        for setting_hz, begin_s, until_s in stretches:
            own = setting_hz * Decimal(until_s - begin_s)
            offset = self.mean_offset(begin_s, until_s) + self._miss_at(setting_hz)
            cycles += own
            gained += float(own) * offset
        return MeanOutput(EXACT.divide(cycles, Decimal(end_s - start_s)), gained / float(cycles))

    def _miss_at(self, setting_hz: Decimal) -> float:
        """Return by what fraction the output misses what the time base makes of `setting_hz`."""
        return 0.0 if self.spec.dial is None else self.spec.dial.miss_at(setting_hz)

    def mean_offset(self, start_s: float, end_s: float) -> float:
        """Return the mean fractional offset over [start_s, end_s]: the gain of phase over the span.

        It is that of the oscillator, wherever a dial stands.

        Raises:
            ValueError: the span is empty or starts before power-on.
        """
        if not 0 <= start_s < end_s:
            raise ValueError(f"a gate must open after power-on and last: {start_s} to {end_s} s")
        spec = self.spec
        span_s = end_s - start_s
        gathered = sum(
            a * lag_s * math.exp(-start_s / lag_s) * -math.expm1(-span_s / lag_s)
            for a, lag_s in spec.warm_up
        )
        gathered += spec.ageing_per_day / _DAY_S * span_s * (start_s + end_s) / 2
        with self._lock:
            gathered += self._trimmer.integral(start_s, end_s)
            gathered += self._noise.integral(start_s, end_s)
            gathered += self._edges.at(end_s) - self._edges.at(start_s)
        return spec.landing + gathered / span_s
