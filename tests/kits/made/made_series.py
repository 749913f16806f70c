"""Made series of small turns in quick succession on an oscillator that has settled.

Invented data with known truth: white noise of 1e-10 a reading at any gate, and a drift far inside
the usual limits. A turn is a ramp of some tenths of a second at most, and a twenty-fifth of it
creeps in over the next seconds.
"""

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Manner = Literal["even", "both ways", "hesitant"]

MANNERS: Final[tuple[Manner, ...]] = ("even", "both ways", "hesitant")
GATES_S: Final = (0.1, 0.25, 1.0)
SPACINGS_S: Final = (0.3, 0.4, 0.6, 0.8, 1.2)
SIGMA: Final = 1e-10
QUIET_S: Final = 900.0
AFTER_S: Final = 60.0
CREEP: Final = 0.04
CREEP_S: Final = 4.0
_FINE: Final = 20


@dataclass(frozen=True, slots=True)
class Turn:
    """One turn of the trimmer."""

    at_s: float
    size: float
    """Fractional, creep included."""
    takes_s: float = 0.0


@dataclass(frozen=True, slots=True)
class MadeSeries:
    """One made series; arrays of shape (readings,), times are mid-gate."""

    gate_s: float
    times_s: Floats
    readings: Floats
    truth: Floats
    """Noise-free mean over each gate."""
    drift_per_s: float
    turns: tuple[Turn, ...]

    @property
    def first_s(self) -> float:
        """When the first turn began."""
        return self.turns[0].at_s

    @property
    def last_s(self) -> float:
        """When the last turn ended, without its creep."""
        return self.turns[-1].at_s + self.turns[-1].takes_s

    @property
    def moved(self) -> float:
        """Sum of all turns, creep included."""
        return math.fsum(turn.size for turn in self.turns)

    @property
    def creeping(self) -> float:
        """Most of that sum that may still creep in after the last turn."""
        return CREEP * math.fsum(abs(turn.size) for turn in self.turns)


def make_series(
    rng: np.random.Generator,
    *,
    gate_s: float,
    spacing_s: float,
    manner: Manner = "even",
    size: float | None = None,
    quiet_s: float = QUIET_S,
) -> MadeSeries:
    """Make a series of 5 to 8 turns of one size, 0.5 to 20 ppb unless `size` is given.

    Turns ``both ways`` have random signs. Hesitant turns are up to twice as large, 0.6 to 2.5
    spacings apart, and take up to half a spacing each.
    """
    count = int(rng.integers(5, 9))
    size = size if size is not None else 0.5e-9 * 40.0 ** rng.uniform()
    sign = rng.choice((-1.0, 1.0))
    turns: list[Turn] = []
    at_s = quiet_s + rng.uniform(0.0, 2.0) * gate_s
    for _ in range(count):
        part, takes_s, wait_s = 1.0, 0.0, spacing_s
        if manner == "both ways":
            sign = rng.choice((-1.0, 1.0))
        elif manner == "hesitant":
            part, takes_s = rng.uniform(1.0, 2.0), rng.uniform(0.0, 0.5) * spacing_s
            wait_s = spacing_s * rng.uniform(0.6, 2.5)
        turns.append(Turn(at_s, float(sign * part * size), float(takes_s)))
        at_s += wait_s
    readings = int((at_s + AFTER_S) / gate_s)
    drift = float(rng.choice((0.0, -2e-13, 2e-13)))
    fine = (np.arange(readings * _FINE) + 0.5) * gate_s / _FINE
    own = 37e-9 + drift * fine
    for turn in turns:
        own += turn.size * _done(fine - turn.at_s, turn.takes_s)
    truth = own.reshape(readings, _FINE).mean(axis=1)
    times = (np.arange(readings) + 0.5) * gate_s
    noisy = truth + rng.normal(0.0, SIGMA, readings)
    return MadeSeries(gate_s, times, noisy, truth, drift, tuple(turns))


def _done(since_s: Floats, takes_s: float) -> Floats:
    """Return the share of a turn that is done: a ramp, and the creep after it."""
    ramp = np.clip(since_s / takes_s, 0.0, 1.0) if takes_s else (since_s >= 0.0).astype(float)
    late_s = np.maximum(since_s - takes_s, 0.0)
    return ramp * (1.0 - CREEP * np.exp(-late_s / CREEP_S))
