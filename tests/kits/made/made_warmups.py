"""Made warm-ups with known truth: the noise-free offset of each reading is kept."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from benchwatch.estimate.results import SettleLimit

LIMIT = SettleLimit(1e-9, 600.0)
SECONDS = 20_000
PER_SECOND = LIMIT.limit / LIMIT.horizon_s


@dataclass(frozen=True)
class MadeWarmup:
    """One reading a second from power-on; arrays of shape (n,)."""

    truth: np.ndarray
    readings: np.ndarray
    gaps: tuple[tuple[int, int], ...] = ()
    """First and last second without readings."""
    quantum: float = 0.0
    """Last digit that the readings are rounded to, fractional; 0 for none."""

    def excursion(self) -> np.ndarray:
        """Return the largest true change within the horizon after each second, (n - horizon,)."""
        horizon = int(LIMIT.horizon_s)
        here = self.truth[:-horizon]
        # The filters put the extremes of a window at its middle.
        window = {"size": horizon + 1, "mode": "nearest"}
        middle = slice(horizon // 2, horizon // 2 + len(here))
        highest = maximum_filter1d(self.truth, **window)[middle]
        lowest = minimum_filter1d(self.truth, **window)[middle]
        return np.maximum(highest - here, here - lowest)

    def settled_at(self, excursion: np.ndarray) -> int:
        """Return the second from which on the true change within the horizon is in the limit."""
        moving = np.flatnonzero(excursion > LIMIT.limit)
        return int(moving[-1]) + 1 if moving.size else 0


def flicker_fm(rng: np.random.Generator, count: int, deviation: float) -> np.ndarray:
    """Make noise of density 1/f with this Allan deviation at one second."""
    padded = 2 ** math.ceil(math.log2(2 * count))
    frequency = np.fft.rfftfreq(padded)
    frequency[0] = frequency[1]
    spectrum = np.fft.rfft(rng.standard_normal(padded)) / np.sqrt(frequency)
    noise = np.fft.irfft(spectrum, padded)[:count]
    return noise * deviation / np.sqrt(0.5 * np.mean(np.diff(noise) ** 2))


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw log-uniformly from `low` to `high`."""
    return float(low * (high / low) ** rng.uniform())


def _noise(rng: np.random.Generator, count: int, *, flicker: bool) -> np.ndarray:
    """Make white and flicker FM, together 1e-11 to 3e-10 at one second."""
    deviation = between(rng, 1e-11, 3e-10)
    share = 1.0 if flicker else between(rng, 0.02, 0.2)
    white = math.sqrt(max(1.0 - share**2, 0.0)) * deviation * rng.standard_normal(count)
    return white + flicker_fm(rng, count, share * deviation)


def _exponential(rng: np.random.Generator, t: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Make the main exponential; return it with its amplitude and time constant."""
    amplitude = between(rng, 2e-8, 5e-6) * rng.choice([-1.0, 1.0])
    constant = between(rng, 60.0, 900.0)
    return amplitude * np.exp(-t / constant), amplitude, constant


def slow_tail(rng: np.random.Generator, *, flicker: bool = False) -> MadeWarmup:
    """Make one exponential and a tail of 0.3 to 10 % of it, 3 to 8 times slower."""
    t = np.arange(float(SECONDS))
    curve, amplitude, constant = _exponential(rng, t)
    share = between(rng, 0.003, 0.1)
    truth = curve + share * amplitude * np.exp(-t / constant / rng.uniform(3.0, 8.0))
    return MadeWarmup(truth, truth + _noise(rng, SECONDS, flicker=flicker))


def flicker(rng: np.random.Generator) -> MadeWarmup:
    """Make a slow tail whose noise is all flicker FM."""
    return slow_tail(rng, flicker=True)


def gaps(rng: np.random.Generator) -> MadeWarmup:
    """Make a slow tail with one to three gaps of half a minute to ten minutes."""
    made = slow_tail(rng)
    end = made.settled_at(made.excursion()) + 600
    starts = rng.integers(30, max(end, 100), rng.integers(1, 4))
    lasting = [int(between(rng, 30.0, 600.0)) for _ in starts]
    return MadeWarmup(
        made.truth,
        made.readings,
        tuple((int(a), int(a) + b) for a, b in zip(starts, lasting, strict=True)),
    )


def overshoot(rng: np.random.Generator) -> MadeWarmup:
    """Make an overshoot: a second exponential of the other sign, 1.5 to 5 times slower."""
    t = np.arange(float(SECONDS))
    curve, amplitude, constant = _exponential(rng, t)
    slower = rng.uniform(1.5, 5.0)
    truth = curve - rng.uniform(0.03, 0.5) / slower * amplitude * np.exp(-t / constant / slower)
    return MadeWarmup(truth, truth + _noise(rng, SECONDS, flicker=False))


def constant_drift(rng: np.random.Generator, sign: float = 0.0) -> MadeWarmup:
    """Make one exponential on a drift of 1.2 to 4 limits a horizon.

    Args:
        rng: draws the values.
        sign: of the drift, relative to the exponential; 0: random.
    """
    t = np.arange(5000.0)
    curve, amplitude, _ = _exponential(rng, t)
    direction = sign * np.sign(amplitude) or rng.choice([-1.0, 1.0])
    truth = curve + direction * PER_SECOND * rng.uniform(1.2, 4.0) * t
    return MadeWarmup(truth, truth + _noise(rng, len(t), flicker=False))


def cancelling(rng: np.random.Generator) -> MadeWarmup:
    """Make a constant drift whose sign cancels the warm-up's tail for some minutes."""
    return constant_drift(rng, 1.0)


def _rounded(made: MadeWarmup, quantum: float) -> MadeWarmup:
    """Return the readings of a counter whose last digit is `quantum`."""
    return replace(made, readings=quantum * np.round(made.readings / quantum), quantum=quantum)


def rounded(rng: np.random.Generator) -> MadeWarmup:
    """Make a slow tail or an overshoot, rounded to a tenth of the limit up to ten limits."""
    make = (slow_tail, overshoot)[int(rng.integers(2))]
    return _rounded(make(rng), between(rng, 1e-10, 1e-8))


def rounded_drift(rng: np.random.Generator) -> MadeWarmup:
    """Make a constant drift or one that cancels a tail, rounded in the same way."""
    make = (constant_drift, cancelling)[int(rng.integers(2))]
    return _rounded(make(rng), between(rng, 1e-10, 1e-8))


def ringing(rng: np.random.Generator, seconds: int = 20_000) -> MadeWarmup:
    """Make an exponential and a swing of 1 to 30 % of it, which dies away within a few periods.

    The time constant and the period are 1 to 15 minutes, and the swing falls by e in 0.5 to 2
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
    """Make two exponentials of one sign, one 10 to 100 % as large and 1.5 to 4 times slower."""
    t = np.arange(float(seconds))
    amplitude = between(rng, 2e-8, 5e-6) * rng.choice([-1.0, 1.0])
    constant_s = between(rng, 60.0, 900.0)
    slower = rng.uniform(0.1, 1.0) * np.exp(-t / constant_s / rng.uniform(1.5, 4.0))
    truth = amplitude * (np.exp(-t / constant_s) + slower)
    noise = between(rng, 1e-11, 3e-10)
    flicker = flicker_fm(rng, seconds, between(rng, 0.02, 0.2) * noise)
    return MadeWarmup(truth, truth + noise * rng.standard_normal(seconds) + flicker)


FAMILIES: dict[str, Callable[[np.random.Generator], MadeWarmup]] = {
    "slow tail": slow_tail,
    "overshoot": overshoot,
    "flicker": flicker,
    "gaps": gaps,
    "constant drift": constant_drift,
    "cancelling": cancelling,
    "rounded": rounded,
    "rounded drift": rounded_drift,
}
