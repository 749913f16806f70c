"""Made ovens whose control loop rings while they come in, with known truth; invented data."""

import numpy as np
from made_cycles import between
from made_warmups import MadeWarmup, flicker_fm


def ringing(rng: np.random.Generator, seconds: int = 20_000) -> MadeWarmup:
    """An exponential, and a swing of 1 to 30 % of it that dies away within a few periods.

    Time constant and period a minute to a quarter of an hour, e-folding of the swing in 0.5 to 2
    periods; noise 1e-11 to 3e-10 at 1 s.
    """
    t = np.arange(float(seconds))
    amplitude = between(rng, 2e-8, 5e-6) * rng.choice([-1.0, 1.0])
    period_s = between(rng, 60.0, 900.0)
    dies_away = np.exp(-t / (period_s * rng.uniform(0.5, 2.0)))
    swing = between(rng, 0.01, 0.3) * np.cos(2.0 * np.pi * (t / period_s + rng.uniform()))
    truth = amplitude * (np.exp(-t / between(rng, 60.0, 900.0)) + swing * dies_away)
    noise = between(rng, 1e-11, 3e-10)
    flicker = flicker_fm(rng, seconds, between(rng, 0.02, 0.2) * noise)
    return MadeWarmup(truth, truth + noise * rng.standard_normal(seconds) + flicker)


def double_exponential(rng: np.random.Generator, seconds: int = 20_000) -> MadeWarmup:
    """Two exponentials of one sign: the second 10 to 100 % as large and 1.5 to 4 times slower."""
    t = np.arange(float(seconds))
    amplitude = between(rng, 2e-8, 5e-6) * rng.choice([-1.0, 1.0])
    constant_s = between(rng, 60.0, 900.0)
    slower = rng.uniform(0.1, 1.0) * np.exp(-t / constant_s / rng.uniform(1.5, 4.0))
    truth = amplitude * (np.exp(-t / constant_s) + slower)
    noise = between(rng, 1e-11, 3e-10)
    flicker = flicker_fm(rng, seconds, between(rng, 0.02, 0.2) * noise)
    return MadeWarmup(truth, truth + noise * rng.standard_normal(seconds) + flicker)
