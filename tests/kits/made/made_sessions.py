"""Made trim sessions with known truth, for the tests and the quality report.

A session is a trim as the counter reads it: the level stands still for a dwell, then steps.
Invented data with stated statistics; the figures are those of the project's own target, no outside
source.

Steps: size log-uniform from 1 to 500 σ, random sign. Dwell: uniform from 5 to 60 readings.
σ: log-uniform from 1e-12 to 1e-9, unknown to the program. One reading a second.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FAMILIES = ("white", "rounded", "drifting", "wild")
STEP_SIGMAS = (1.0, 500.0)
DWELL_READINGS = (5, 60)
ROUNDED_TO_SIGMAS = 2.0
DRIFT_SIGMAS = 2e-3
WILD_SHARE = 0.01
WILD_SIGMAS = (30.0, 300.0)


@dataclass(frozen=True, slots=True)
class MadeSession:
    """One made session; arrays of shape (readings,)."""

    sigma: float
    readings: Floats
    """Offsets that the counter reads, fractional."""
    truth: Floats
    """The level without noise, rounding and wild readings."""
    since_step: NDArray[np.int64]
    """Readings since the last step; 1 for the first one after it."""
    wild: NDArray[np.bool_]


def make_session(family: str, rng: np.random.Generator, readings: int = 400) -> MadeSession:
    """Make one session of a family of `FAMILIES`.

    Raises:
        ValueError: `FAMILIES` does not have the family.
    """
    if family not in FAMILIES:
        raise ValueError(f"no family {family!r}")
    sigma = 10.0 ** rng.uniform(-12.0, -9.0)
    level = np.empty(readings)
    since = np.empty(readings, dtype=np.int64)
    at, value = 0, sigma * rng.uniform(-1e4, 1e4)
    while at < readings:
        dwell = int(rng.integers(DWELL_READINGS[0], DWELL_READINGS[1] + 1))
        end = min(at + dwell, readings)
        level[at:end] = value
        since[at:end] = np.arange(1, end - at + 1)
        size = np.exp(rng.uniform(*np.log(STEP_SIGMAS)))
        value += sigma * size * rng.choice((-1.0, 1.0))
        at = end
    if family == "drifting":
        level += DRIFT_SIGMAS * sigma * rng.choice((-1.0, 1.0)) * np.arange(readings)
    seen = level + sigma * rng.standard_normal(readings)
    wild = np.zeros(readings, dtype=np.bool_)
    if family == "wild":
        wild = rng.random(readings) < WILD_SHARE
        size = np.exp(rng.uniform(math.log(WILD_SIGMAS[0]), math.log(WILD_SIGMAS[1]), readings))
        seen[wild] += (sigma * size * rng.choice((-1.0, 1.0), readings))[wild]
    if family == "rounded":
        quantum = ROUNDED_TO_SIGMAS * sigma
        seen = quantum * np.round(seen / quantum)
    return MadeSession(sigma, seen, level, since, wild)


def oracle(session: MadeSession) -> Floats:
    """Return the mean of the readings since the last step, given the time of each step.

    Wild readings are left out, except the first reading of a dwell, for lack of another.
    """
    estimate = np.empty_like(session.readings)
    total, count = 0.0, 0
    for k, reading in enumerate(session.readings):
        if session.since_step[k] == 1:
            total, count = 0.0, 0
        if not session.wild[k]:
            total += reading
            count += 1
        estimate[k] = total / count if count else reading
    return estimate


def make_flicker(floor: float, rng: np.random.Generator, readings: int) -> Floats:
    """Make flicker FM whose Allan deviation is `floor`: S(f) = h/f, floor² = 2 ln 2 · h (SP 1065).

    The spectrum holds no frequency below one cycle in twice the length of the series.
    """
    spectrum = np.fft.rfft(rng.standard_normal(2 * readings))
    frequency = np.fft.rfftfreq(2 * readings)
    frequency[0] = np.inf
    shaped = spectrum * np.sqrt(floor**2 / (2.0 * np.log(2.0)) / (2.0 * frequency))
    return np.asarray(np.fft.irfft(shaped)[:readings])


def make_warm_up(kind: str, rng: np.random.Generator, readings: int) -> tuple[Floats, float]:
    """Return the true offsets of a warm-up, one a second, and the noise (sd) of a reading.

    Time constant 1 to 15 min, amplitude 2e-8 to 5e-6, noise 1e-11 to 3e-10, all log-uniform;
    `kind` is ``tail`` (a slow second exponential) or ``overshoot``.
    """
    t = np.arange(readings, dtype=np.float64)
    constant = np.exp(rng.uniform(*np.log((60.0, 900.0))))
    amplitude = np.exp(rng.uniform(*np.log((2e-8, 5e-6)))) * rng.choice((-1.0, 1.0))
    sigma = float(np.exp(rng.uniform(*np.log((1e-11, 3e-10)))))
    if kind == "tail":
        shape = np.exp(-t / constant) + 0.05 * np.exp(-t / (6.0 * constant))
    else:
        shape = np.exp(-t / constant) - 0.6 * np.exp(-t / (2.5 * constant))
    return amplitude * shape, sigma
