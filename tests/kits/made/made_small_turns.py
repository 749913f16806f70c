"""Made runs of small turns given as soon as the screen says "turn again", with known truth.

Invented data: the simulated oscillator with the noise of the quiet bench, and a counter whose
readings scatter by about 1e-10 at any gate. The trimmer is turned 2 to 7 times the same way.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import Nudge
from benchwatch_simulators.oscillator.oscillator import Oscillator, OscillatorSpec
from benchwatch_simulators.oscillator.trimmer import TrimmerSpec

SIGMA: Final = 1e-10
QUIET_S: Final = 60.0
AFTER_READINGS: Final = 120


@dataclass(frozen=True, slots=True)
class SmallTurns:
    """Turns and the nudges that a run of readings has left on record."""

    turned: float
    """Sum of the turns, fractional."""
    nudges: tuple[Nudge, ...]
    """Each with its last size."""

    @property
    def u(self) -> float:
        """Standard uncertainty of the sum of the nudges."""
        return math.sqrt(math.fsum((nudge.u or 0.0) ** 2 for nudge in self.nudges))

    @property
    def missing(self) -> float:
        """Part of the turns that no nudge states, fractional, unsigned."""
        return abs(math.fsum(nudge.size for nudge in self.nudges) - self.turned)


def make_small_turns(
    rng: np.random.Generator, *, gate_s: float, spacing_s: float, size: float, creep: float = 0.0
) -> SmallTurns:
    """Make one run and put it through the live estimate.

    Args:
        rng: draws the noise, the number of turns and their times.
        gate_s: gate of a reading.
        spacing_s: between two turns, within 20 %.
        size: of a turn within 20 %, in units of `SIGMA`.
        creep: part of a turn that creeps in with a time constant of 4 s.
    """
    spec = OscillatorSpec(
        landing=3.7e-8,
        ageing_per_day=1e-10,
        white_fm=SIGMA * math.sqrt(gate_s),
        flicker_fm=8e-12,
        random_walk_fm=1e-13,
        trimmer=TrimmerSpec(sensitivity=1.0, creep=creep, creep_s=4.0),
    )
    oscillator = Oscillator(spec, int(rng.integers(1 << 31)))
    at_s, turned = max(QUIET_S, 100.0 * gate_s) + rng.uniform(), 0.0
    sign = rng.choice((-1.0, 1.0))
    for _ in range(int(rng.integers(2, 8))):
        turn = float(sign * size * SIGMA * rng.uniform(0.8, 1.2))
        oscillator.turn(at_s, turn)
        turned += turn
        at_s += spacing_s * rng.uniform(0.8, 1.2)
    count = int(at_s / gate_s) + AFTER_READINGS
    readings = [oscillator.mean_offset(k * gate_s, (k + 1) * gate_s) for k in range(count)]
    return SmallTurns(turned, recorded_nudges(readings, gate_s))


def recorded_nudges(readings: list[float], gate_s: float) -> tuple[Nudge, ...]:
    """Return the nudges that the live estimate finds, each with its last size."""
    live = LiveEstimate()
    nudges: list[Nudge] = []
    for k, offset in enumerate(readings):
        numbers = live.add((k + 0.5) * gate_s, offset, gate_s=gate_s)
        if numbers.revised_nudge is not None:
            nudges[-1] = numbers.revised_nudge
        if numbers.confirmed_nudge is not None:
            nudges.append(numbers.confirmed_nudge)
        elif numbers.last_nudge is not None:
            nudges[-1] = numbers.last_nudge
    return tuple(nudges)
