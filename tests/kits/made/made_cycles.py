"""Made ovens whose thermostat makes the offset cycle, with known truth; invented data."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from made_warmups import LIMIT, MadeWarmup, between, flicker_fm

RISING = 0.3
"""Part of a period in which a relaxation cycle rises."""
BENT = 2.0
"""Time constants that its rise and its fall each take."""


@dataclass(frozen=True)
class MadeCycle:
    """An oven that comes in and then cycles."""

    made: MadeWarmup
    swing: float
    """From peak to peak, fractional."""
    period_s: float
    turns: np.ndarray
    """Seconds of its jumps or turning points."""
    warming: np.ndarray
    """The exponential alone."""

    def shown_from(self, shape: str) -> int:
        """Return the second from which on the readings show a cycle, and not only a warm-up.

        That is the first jump of a saw-tooth, and the second turning point of the others, since
        an overshoot has one too. Those before which the exponential has more left than the swing
        do not count: it hides them.
        """
        seen = self.turns[np.abs(self.warming[self.turns]) < self.swing]
        which = 0 if shape == "saw-tooth" else 1
        return int(seen[which]) if seen.size > which else len(self.warming)

    def come_in(self) -> int:
        """Return the second from which on only the cycle changes the offset within the horizon."""
        moving = np.flatnonzero(self.made.excursion() > max(1.05 * self.swing, LIMIT.limit))
        return int(moving[-1]) + 1 if moving.size else 0


def sine(cycles: np.ndarray) -> np.ndarray:
    """Return a sine of swing 1 from peak to peak at these times in periods."""
    return 0.5 * np.sin(2.0 * np.pi * cycles)


def saw_tooth(cycles: np.ndarray) -> np.ndarray:
    """Return a cycle that rises evenly and jumps down."""
    return cycles % 1.0 - 0.5


def relaxation(cycles: np.ndarray) -> np.ndarray:
    """Return a cycle like a capacitor that is charged quickly and discharged slowly."""
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

TURNS = {"sine": (0.25, 0.75), "saw-tooth": (0.0,), "relaxation": (0.0, RISING)}
"""Parts of a period at which each shape jumps or has a turning point."""


def cycling(
    rng: np.random.Generator,
    shape: str,
    *,
    seconds: int = 6000,
    swing: float | None = None,
    period_s: float | None = None,
) -> MadeCycle:
    """Make an exponential of 2e-8 to 5e-6 and 1 to 10 min, a cycle, noise 1e-11 to 3e-10 at 1 s.

    Args:
        rng: draws each value that is not given.
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
    warming = amplitude * np.exp(-t / constant_s)
    cycles = t / period_s + rng.uniform()
    truth = warming + swing * SHAPES[shape](cycles)
    noise = between(rng, 1e-11, 3e-10)
    flicker = flicker_fm(rng, seconds, between(rng, 0.02, 0.2) * noise)
    readings = truth + noise * rng.standard_normal(seconds) + flicker
    parts = [np.diff(np.floor(cycles - part)) for part in TURNS[shape]]
    turns = np.flatnonzero(np.any(parts, axis=0)) + 1
    return MadeCycle(MadeWarmup(truth, readings), swing, period_s, turns, warming)
