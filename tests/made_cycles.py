"""Made ovens whose thermostat makes the offset go up and down, with known truth; invented data."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from made_warmups import LIMIT, MadeWarmup, flicker_fm

RISING = 0.3
"""Part of a period in which a relaxing cycle goes up."""
BENT = 2.0
"""Time constants that each of its ways takes."""


@dataclass(frozen=True)
class MadeCycle:
    """An oven that comes in and then cycles."""

    made: MadeWarmup
    swing: float
    """From peak to peak, fractional."""
    period_s: float

    def come_in(self) -> int:
        """First second from which on the true change within the horizon is the cycle's only."""
        moving = np.flatnonzero(self.made.excursion() > max(1.05 * self.swing, LIMIT.limit))
        return int(moving[-1]) + 1 if moving.size else 0


def sine(cycles: np.ndarray) -> np.ndarray:
    """Swing 1 from peak to peak, over the number of cycles gone."""
    return 0.5 * np.sin(2.0 * np.pi * cycles)


def saw_tooth(cycles: np.ndarray) -> np.ndarray:
    """Up evenly, down at once."""
    return cycles % 1.0 - 0.5


def relaxation(cycles: np.ndarray) -> np.ndarray:
    """Up and down like a capacitor that is charged and discharged, up in the shorter time."""
    part = cycles % 1.0
    full = 1.0 - np.exp(-BENT)
    up = (1.0 - np.exp(-BENT * part / RISING)) / full
    down = 1.0 - (1.0 - np.exp(-BENT * (part - RISING) / (1.0 - RISING))) / full
    return np.where(part < RISING, up, down) - 0.5


SHAPES: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "sine": sine,
    "saw-tooth": saw_tooth,
    "relaxation": relaxation,
}


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Any decade as likely as another."""
    return float(low * (high / low) ** rng.uniform())


def cycling(
    rng: np.random.Generator,
    shape: str,
    *,
    seconds: int = 6000,
    swing: float | None = None,
    period_s: float | None = None,
) -> MadeCycle:
    """An exponential of 2e-8 to 5e-6 and 1 to 10 min, and a cycle; noise 1e-11 to 3e-10 at 1 s.

    Args:
        rng: draws all that is not given.
        shape: one of `SHAPES`.
        seconds: readings, one a second.
        swing: in limits, from peak to peak; 1.5 to 10 when not given.
        period_s: 30 s to the horizon when not given.
    """
    t = np.arange(float(seconds))
    swing = (between(rng, 1.5, 10.0) if swing is None else swing) * LIMIT.limit
    period_s = between(rng, 30.0, LIMIT.horizon_s) if period_s is None else period_s
    amplitude = between(rng, 2e-8, 5e-6) * rng.choice([-1.0, 1.0])
    constant_s = between(rng, 60.0, 600.0)
    truth = amplitude * np.exp(-t / constant_s)
    truth = truth + swing * SHAPES[shape](t / period_s + rng.uniform())
    noise = between(rng, 1e-11, 3e-10)
    flicker = flicker_fm(rng, seconds, between(rng, 0.02, 0.2) * noise)
    readings = truth + noise * rng.standard_normal(seconds) + flicker
    return MadeCycle(MadeWarmup(truth, readings), swing, period_s)
