"""Made turns that creep, with known truth.

Invented data. White noise of one unit a reading; a turn of 10 to 300 units at any moment of a gate;
a tenth of it comes in afterwards, exponentially with a time constant of 4 to 15 readings.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import Numbers, SettleLimit

Floats = NDArray[np.float64]

SIGMA: Final = 1e-10
SHARE: Final = 0.1
AFTER: Final = 80
_FINE: Final = 40


@dataclass(frozen=True, slots=True)
class MadeCreep:
    """One turn; arrays of shape (readings,), one reading a second."""

    readings: Floats
    truth: Floats
    """Mean over each gate, without noise."""
    first: int
    """Number of the reading during whose gate the trimmer was turned."""
    rest: float
    """Level at rest, fractional."""
    size: float
    tau: float
    """Time constant, in readings."""


def make_creep(
    rng: np.random.Generator,
    *,
    size: float | None = None,
    tau: float | None = None,
    share: float = SHARE,
    quiet: int | None = None,
    after: int = AFTER,
) -> MadeCreep:
    """Make one turn; `size` is in units of the noise, `tau`, `quiet` and `after` in readings."""
    size = size if size is not None else 10.0 * 30.0 ** rng.uniform() * rng.choice((-1.0, 1.0))
    tau = tau if tau is not None else rng.uniform(4.0, 15.0)
    first = quiet if quiet is not None else int(rng.integers(60, 200))
    level = rng.uniform(-100.0, 100.0)
    count = first + after
    since = (np.arange(count * _FINE) + 0.5) / _FINE - first - rng.uniform()
    crept = 1.0 - share * np.exp(-np.maximum(since, 0.0) / tau)
    moved = level + np.where(since >= 0.0, size * crept, 0.0)
    truth = SIGMA * moved.reshape(count, _FINE).mean(axis=1)
    readings = truth + SIGMA * rng.standard_normal(count)
    return MadeCreep(readings, truth, first, SIGMA * (level + size), SIGMA * float(size), tau)


def follow(made: MadeCreep, settle: SettleLimit | None = None) -> list[Numbers]:
    """Put the readings through the live estimate; return the numbers after each."""
    live = LiveEstimate(settle=settle)
    return [live.add(float(k), y, gate_s=1.0) for k, y in enumerate(made.readings.tolist())]
