"""A simulated oven oscillator from power-on: warm-up, ageing, noise, and a trimmer."""

import math
import threading
from dataclasses import dataclass, field
from decimal import Decimal

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
        self._lock = threading.Lock()

    def turn(self, at_s: float, turns: float) -> None:
        """Turn the trimmer by `turns` at `at_s`; positive raises the frequency."""
        with self._lock:
            self._trimmer.turn(at_s, turns)

    def rest_tool(self, at_s: float, *, on: bool) -> None:
        """Rest a tool on the trimmer at `at_s` (`on`), or lift it."""
        with self._lock:
            self._trimmer.rest_tool(at_s, on=on)

    def truth(self, at_s: float) -> float:
        """Return the fractional offset at `at_s` without noise."""
        spec = self.spec
        warming = sum(a * math.exp(-at_s / lag_s) for a, lag_s in spec.warm_up)
        with self._lock:
            trimmed = self._trimmer.offset(at_s)
        return spec.landing + spec.ageing_per_day * at_s / _DAY_S + warming + trimmed

    def mean_offset(self, start_s: float, end_s: float) -> float:
        """Return the mean fractional offset over [start_s, end_s]: the gain of phase over the span.

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
