"""Made warm-ups with known truth: the noise-free offset is kept beside the readings."""

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
        """Largest true change within the horizon from each second on; n - horizon values."""
        horizon = int(LIMIT.horizon_s)
        here = self.truth[:-horizon]
        # The filters give a window's extremes at its middle.
        window = {"size": horizon + 1, "mode": "nearest"}
        middle = slice(horizon // 2, horizon // 2 + len(here))
        highest = maximum_filter1d(self.truth, **window)[middle]
        lowest = minimum_filter1d(self.truth, **window)[middle]
        return np.maximum(highest - here, here - lowest)

    def settled_at(self, excursion: np.ndarray) -> int:
        """First second from which on the true change within the horizon stays in the limit."""
        moving = np.flatnonzero(excursion > LIMIT.limit)
        return int(moving[-1]) + 1 if moving.size else 0


def flicker_fm(rng: np.random.Generator, count: int, deviation: float) -> np.ndarray:
    """Noise of density 1/f, scaled to its Allan deviation at one second."""
    padded = 2 ** math.ceil(math.log2(2 * count))
    frequency = np.fft.rfftfreq(padded)
    frequency[0] = frequency[1]
    spectrum = np.fft.rfft(rng.standard_normal(padded)) / np.sqrt(frequency)
    noise = np.fft.irfft(spectrum, padded)[:count]
    return noise * deviation / np.sqrt(0.5 * np.mean(np.diff(noise) ** 2))


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """Any decade as likely as another."""
    return low * (high / low) ** rng.uniform()


def _noise(rng: np.random.Generator, count: int, *, flicker: bool) -> np.ndarray:
    """White and flicker FM, together 1e-11 to 3e-10 at one second."""
    deviation = _between(rng, 1e-11, 3e-10)
    share = 1.0 if flicker else _between(rng, 0.02, 0.2)
    white = math.sqrt(max(1.0 - share**2, 0.0)) * deviation * rng.standard_normal(count)
    return white + flicker_fm(rng, count, share * deviation)


def _exponential(rng: np.random.Generator, t: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Main warm-up, its amplitude and time constant."""
    amplitude = _between(rng, 2e-8, 5e-6) * rng.choice([-1.0, 1.0])
    constant = _between(rng, 60.0, 900.0)
    return amplitude * np.exp(-t / constant), amplitude, constant


def slow_tail(rng: np.random.Generator, *, flicker: bool = False) -> MadeWarmup:
    """One exponential and a tail of 0.3 to 10 % of it, 3 to 8 times slower."""
    t = np.arange(float(SECONDS))
    curve, amplitude, constant = _exponential(rng, t)
    share = _between(rng, 0.003, 0.1)
    truth = curve + share * amplitude * np.exp(-t / constant / rng.uniform(3.0, 8.0))
    return MadeWarmup(truth, truth + _noise(rng, SECONDS, flicker=flicker))


def flicker(rng: np.random.Generator) -> MadeWarmup:
    """The same with flicker FM as all of its noise."""
    return slow_tail(rng, flicker=True)


def gaps(rng: np.random.Generator) -> MadeWarmup:
    """The same with one to three gaps of half a minute to ten."""
    made = slow_tail(rng)
    end = made.settled_at(made.excursion()) + 600
    starts = rng.integers(30, max(end, 100), rng.integers(1, 4))
    lasting = [int(_between(rng, 30.0, 600.0)) for _ in starts]
    return MadeWarmup(
        made.truth,
        made.readings,
        tuple((int(a), int(a) + b) for a, b in zip(starts, lasting, strict=True)),
    )


def overshoot(rng: np.random.Generator) -> MadeWarmup:
    """A second exponential of the other sign, 1.5 to 5 times slower: the offset turns once."""
    t = np.arange(float(SECONDS))
    curve, amplitude, constant = _exponential(rng, t)
    slower = rng.uniform(1.5, 5.0)
    truth = curve - rng.uniform(0.03, 0.5) / slower * amplitude * np.exp(-t / constant / slower)
    return MadeWarmup(truth, truth + _noise(rng, SECONDS, flicker=False))


def constant_drift(rng: np.random.Generator, sign: float = 0.0) -> MadeWarmup:
    """One exponential on a drift of 1.2 to 4 limits a horizon, of either sign."""
    t = np.arange(5000.0)
    curve, amplitude, _ = _exponential(rng, t)
    direction = sign * np.sign(amplitude) or rng.choice([-1.0, 1.0])
    truth = curve + direction * PER_SECOND * rng.uniform(1.2, 4.0) * t
    return MadeWarmup(truth, truth + _noise(rng, len(t), flicker=False))


def cancelling(rng: np.random.Generator) -> MadeWarmup:
    """The drift has the sign that holds the warm-up's tail still for some minutes."""
    return constant_drift(rng, 1.0)


def _rounded(made: MadeWarmup, quantum: float) -> MadeWarmup:
    """Read by a counter whose last digit is `quantum`."""
    return replace(made, readings=quantum * np.round(made.readings / quantum), quantum=quantum)


def rounded(rng: np.random.Generator) -> MadeWarmup:
    """A slow tail or an overshoot, last digit 1e-10 to 1e-8: a tenth of the limit to ten limits."""
    make = (slow_tail, overshoot)[int(rng.integers(2))]
    return _rounded(make(rng), _between(rng, 1e-10, 1e-8))


def rounded_drift(rng: np.random.Generator) -> MadeWarmup:
    """A constant drift above the limit or one that cancels a tail, rounded likewise."""
    make = (constant_drift, cancelling)[int(rng.integers(2))]
    return _rounded(make(rng), _between(rng, 1e-10, 1e-8))


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
