"""Made oscillators that nobody turns, to count the false nudges found on them.

Invented data in units of the white noise of single readings, which is one; one reading a second.
"""

from collections.abc import Callable
from typing import Final

import numpy as np
from made_sessions import make_flicker
from numpy.typing import NDArray

from benchwatch.estimate.level.level_estimator import LevelEstimator
from benchwatch.estimate.results import Nudge

Floats = NDArray[np.float64]
Maker = Callable[[np.random.Generator, int], Floats]

SIGMA: Final = 1e-10


def saw_tooth(rng: np.random.Generator, readings: int) -> Floats:
    """Make a thermostat's cycle: a slow rise by 5 to 50 in 60 to 300 readings, and a jump back."""
    swing, period = 5.0 * 10.0 ** rng.uniform(), rng.uniform(60.0, 300.0)
    phase = (np.arange(readings) / period + rng.uniform()) % 1.0
    return np.asarray(rng.choice((-1.0, 1.0)) * swing * phase)


def random_walk(rng: np.random.Generator, readings: int) -> Floats:
    """Make random-walk FM: steps of 0.3 to 2 a reading."""
    return np.cumsum(0.3 * 6.7 ** rng.uniform() * rng.standard_normal(readings))


def flicker(rng: np.random.Generator, readings: int) -> Floats:
    """Make flicker FM: an Allan deviation of 0.3 to 3."""
    return make_flicker(0.3 * 10.0 ** rng.uniform(), rng, readings)


def quiet(_rng: np.random.Generator, readings: int) -> Floats:
    """Make a constant offset: `nudges` adds white noise to every family."""
    return np.zeros(readings)


IDLE: Final[dict[str, Maker]] = {
    "white": quiet,
    "flicker": flicker,
    "random walk": random_walk,
    "saw-tooth": saw_tooth,
}
TARGETS: Final = {"white": 0.0, "flicker": 0.1, "random walk": 0.5, "saw-tooth": 0.5}
"""Most nudges in a thousand readings; the project's own figures (common practice, no source)."""


def nudges(offsets: Floats, rng: np.random.Generator) -> list[tuple[int, Nudge]]:
    """Return the confirmed nudges on these offsets plus white noise: number of reading, nudge."""
    level = LevelEstimator()
    found = []
    for k, y in enumerate((SIGMA * (offsets + rng.standard_normal(offsets.size))).tolist()):
        now = level.add(float(k), y, gate_s=1.0, resolution=0.0)
        if now.confirmed_nudge is not None:
            found.append((k, now.confirmed_nudge))
    return found
