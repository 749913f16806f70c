"""Made benches whose trimmer is turned, and on them the coverage of u and the detection of nudges.

Invented data with known truth. Readings every quarter second with white noise of 1e-10, rounded to
4e-11. The oscillator comes in from 4e-6 by a fast and a slow exponential, and has some flicker FM.
From 130 s on the trimmer is turned every 20 to 60 s: one to three turns in quick succession, 1 to
10 ppb each. A twenty-fifth of each turn creeps in over the next seconds.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchwatch.estimate.live_estimate import LiveEstimate

Floats = NDArray[np.float64]

GATE_S = 0.25
SIGMA = 1e-10
DIGIT = 4e-11
LASTS_S = 400.0
FIRST_TURN_S = 130.0
CREEP, CREEP_S = 0.04, 4.0
_FINE = 20
SETTLED_S = 100.0
"""From this time on the made oven moves by less than 0.1 ppb in 20 s."""


@dataclass(frozen=True, slots=True)
class MadeTrim:
    """One made bench; arrays of shape (readings,)."""

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
    """Make flicker FM over the spans of the bench, as a sum of relaxations two octaves apart."""
    total = np.zeros(count)
    for tau_s in (1.0, 4.0, 16.0, 64.0, 256.0):
        keep = math.exp(-GATE_S / tau_s)
        kicks = rng.normal(0.0, math.sqrt(1.0 - keep * keep), count)
        value = 0.0
        for place in range(count):
            value = keep * value + kicks[place]
            total[place] += value
    return total


@dataclass
class Stretch:
    """Errors and uncertainties in one kind of stretch, fractional."""

    errors: list[float] = field(default_factory=list)
    us: list[float] = field(default_factory=list)

    @property
    def rms(self) -> float:
        """RMS of the errors."""
        return float(np.sqrt(np.mean(np.square(self.errors))))

    @property
    def ratio(self) -> float:
        """Median u over the RMS error: 1 where u is exact, more where it is too large."""
        return float(np.median(self.us)) / self.rms

    @property
    def covered(self) -> float:
        """Share of errors within 2u."""
        return float(np.mean(np.abs(self.errors) <= 2.0 * np.asarray(self.us)))


@dataclass
class TrimQuality:
    """Results over some made benches."""

    settled: Stretch = field(default_factory=Stretch)
    young: Stretch = field(default_factory=Stretch)
    """5 to 19 readings after the last turn of a group."""
    judged: Stretch = field(default_factory=Stretch)
    """20 to 59 readings after it."""
    groups: int = 0
    seen: int = 0
    false: int = 0
    late_readings: list[float] = field(default_factory=list)


def trim_quality(seed: int, benches: int) -> TrimQuality:
    """Run the live estimate over `benches` made benches."""
    rng = np.random.default_rng(seed)
    quality = TrimQuality()
    for _ in range(benches):
        _follow(make_trim(rng), quality)
    return quality


def _follow(bench: MadeTrim, quality: TrimQuality) -> None:
    live = LiveEstimate()
    nudges: list[float] = []
    for now_s, offset, truth in zip(bench.times_s, bench.readings, bench.truth, strict=True):
        numbers = live.add(float(now_s), float(offset), gate_s=GATE_S, resolution=DIGIT)
        if numbers.confirmed_nudge is not None:
            nudges.append(float(now_s))
        estimate = numbers.estimate
        stretch = _stretch(bench, float(now_s), quality)
        if stretch is not None and estimate is not None and estimate.u is not None:
            stretch.errors.append(estimate.offset - truth)
            stretch.us.append(estimate.u)
    spans = [(group[0][0] - 0.5, group[-1][0]) for group in bench.turns]
    for since, last in spans:
        quality.groups += 1
        seen = [at for at in nudges if since <= at <= last + 3.0]
        if seen:
            quality.seen += 1
            quality.late_readings.append((seen[0] - last) / GATE_S)
    quality.false += sum(
        not any(since <= at <= last + 4.0 for since, last in spans) for at in nudges
    )


def _stretch(bench: MadeTrim, now_s: float, quality: TrimQuality) -> Stretch | None:
    if SETTLED_S <= now_s < FIRST_TURN_S:
        return quality.settled
    turned = [at_s for group in bench.turns for at_s, _ in group if at_s <= now_s]
    coming = [at_s for group in bench.turns for at_s, _ in group if now_s < at_s <= now_s + 1.0]
    if not turned or coming:
        return None
    since = (now_s - turned[-1]) / GATE_S
    return quality.young if 5 <= since < 20 else quality.judged if 20 <= since < 60 else None
