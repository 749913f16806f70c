"""Made benches with known truth: an oven comes in, then its trimmer is turned, with creep.

Invented data. Readings every quarter second with white noise of 1e-10, rounded to 4e-11, on an
oscillator that comes in from 4e-6 with a fast and a slow exponential and has some flicker FM.
From 130 s on the trimmer is turned one to three times in quick succession, 1 to 10 ppb each; a
twenty-fifth of each turn creeps in over the next seconds.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

GATE_S = 0.25
SIGMA = 1e-10
DIGIT = 4e-11
LASTS_S = 400.0
FIRST_TURN_S = 130.0
CREEP, CREEP_S = 0.04, 4.0
_FINE = 20


@dataclass(frozen=True, slots=True)
class MadeTrim:
    """One made bench; columns have one entry a reading."""

    times_s: Floats
    readings: Floats
    truth: Floats
    """The oscillator's own offset at the end of each gate, flicker included."""
    turns: tuple[tuple[tuple[float, float], ...], ...]
    """Groups of turns in quick succession: (time, size)."""


def make_trim(rng: np.random.Generator) -> MadeTrim:
    """Make one bench."""
    count = int(LASTS_S / GATE_S)
    times = np.arange(count) * GATE_S + GATE_S / 2.0
    own = 4e-6 * np.exp(-times / 5.5) + 6e-9 * np.exp(-times / 25.0) + 37e-9
    own += rng.choice((0.0, 3e-12, 1e-11)) * _wander(rng, count)
    turns = _turns(rng)
    fine = (np.arange(count * _FINE) + 0.5) * GATE_S / _FINE
    moved = np.zeros(count * _FINE)
    for at_s, size in (turn for group in turns for turn in group):
        after = fine >= at_s
        moved[after] += size * (1.0 - CREEP * np.exp(-(fine[after] - at_s) / CREEP_S))
    gates = moved.reshape(count, _FINE)
    read = own + gates.mean(axis=1) + rng.normal(0.0, SIGMA, count)
    return MadeTrim(times, np.round(read / DIGIT) * DIGIT, own + gates[:, -1], turns)


def _turns(rng: np.random.Generator) -> tuple[tuple[tuple[float, float], ...], ...]:
    groups = []
    at_s = FIRST_TURN_S + rng.uniform(0.0, 1.0)
    while at_s < LASTS_S - 40.0:
        size = float(rng.choice((-1.0, 1.0)) * rng.choice((1e-9, 2.5e-9, 5e-9, 1e-8)))
        group = []
        for _ in range(rng.integers(1, 4)):
            group.append((float(at_s), size))
            at_s += rng.uniform(0.25, 0.6)
        groups.append(tuple(group))
        at_s += rng.uniform(20.0, 60.0)
    return tuple(groups)


def _wander(rng: np.random.Generator, count: int) -> Floats:
    """Sum of relaxations an octave of octaves apart: flicker FM over the session's spans."""
    total = np.zeros(count)
    for tau_s in (1.0, 4.0, 16.0, 64.0, 256.0):
        keep = math.exp(-GATE_S / tau_s)
        kicks = rng.normal(0.0, math.sqrt(1.0 - keep * keep), count)
        value = 0.0
        for place in range(count):
            value = keep * value + kicks[place]
            total[place] += value
    return total
