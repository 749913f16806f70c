"""Made runs with known truth for checks at another dial setting.

Invented data with stated statistics: an oscillator read once a second at the main frequency, then
dialled elsewhere, where the output is off by a known difference. White noise of σ = 1e-10 a
reading at both settings; the families add what their names say.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from stability_kit import made_phase

from benchwatch.estimate.dial_check import CheckNumbers, check_numbers, foretell, mean_there
from benchwatch.estimate.live_estimate import LiveEstimate

Floats = NDArray[np.float64]
SIGMA = 1e-10
FAMILIES = ("white", "noisier there", "flicker", "random walk", "drifting", "rounded")
DIALLING_READINGS = (3, 20)
"""Readings lost while the unit is dialled."""


@dataclass(frozen=True, slots=True)
class MadeCheck:
    """One made run: readings at the main frequency, then at the setting, one a second."""

    family: str
    main: Floats
    lost: int
    """Readings between the two."""
    there: Floats
    quantum: float
    """Last digit, fractional; 0: none."""
    difference: float
    """True difference at the setting."""


def make_check(
    rng: np.random.Generator, family: str, difference: float = 0.0, most: int = 60
) -> MadeCheck:
    """Make a run of a family of `FAMILIES`; `most` readings at the setting at most."""
    before, lost = int(rng.integers(60, 600)), int(rng.integers(*DIALLING_READINGS))
    after = int(rng.integers(10, most + 1))
    size = before + lost + after
    noise = SIGMA * rng.standard_normal(size)
    wander = np.zeros(size)
    if family == "flicker":
        wander = 0.3 * SIGMA * np.diff(made_phase(-1, size + 1, rng))
    elif family == "random walk":
        wander = 0.03 * SIGMA * np.cumsum(rng.standard_normal(size))
    elif family == "drifting":
        wander = 3e-3 * SIGMA * rng.choice((-1.0, 1.0)) * np.arange(size)
    if family == "noisier there":
        noise[before + lost :] *= 4.0
    y = wander + noise + SIGMA * rng.uniform(-100.0, 100.0)
    y[before + lost :] += difference
    quantum = 0.0
    if family == "rounded":
        quantum = 2.0 * SIGMA
        y = quantum * np.round(y / quantum)
    return MadeCheck(family, y[:before], lost, y[before + lost :], quantum, difference)


def check_made(made: MadeCheck, tolerance: float | None, every: int = 0) -> list[CheckNumbers]:
    """Check a made run after its last reading; after each `every` readings with `every` above 0."""
    live = LiveEstimate()
    for at_s, offset in enumerate(made.main):
        live.add(float(at_s), float(offset), gate_s=1.0, resolution=made.quantum)
    counts = [made.there.size]
    if every:
        counts = list(range(every, made.there.size + 1, every))
    return [_numbers(live, made, count, tolerance) for count in counts]


def _numbers(
    live: LiveEstimate, made: MadeCheck, count: int, tolerance: float | None
) -> CheckNumbers:
    # The first reading after dialling is left out.
    readings = made.there[1:count]
    ahead = live.ahead(made.lost + 1.0 + count / 2.0, count - 1)
    assert ahead is not None
    foretold = foretell(live.numbers.estimate, ahead[0], ahead[1] ** 0.5)
    return check_numbers(foretold, mean_there(readings.tolist(), made.quantum), tolerance)
