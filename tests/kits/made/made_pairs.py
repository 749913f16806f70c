"""Made pairs of counters with known time bases, to judge their comparison by.

The truth is the difference of the two time bases in the stretch of the same length right after the
readings: what a correction made from the comparison will meet. White noise is that of the
readings and has no part in it; flicker and random-walk noise are the time bases' own.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from chain_kit import as_read, made_pairs
from stability_kit import made_phase

from benchwatch.estimate.comparison.comparison_result import ComparisonResult, compare_counters
from benchwatch.estimate.comparison.counter_comparison import Difference, difference_of
from benchwatch.estimate.comparison.time_base_claims import NamedReference, RunTimeBase

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchwatch.estimate.array_types import FloatArray

PairNoise = Literal["white", "white and flicker", "random walk"]
NOISES: Final[tuple[PairNoise, ...]] = ("white", "white and flicker", "random walk")
SIGMA: Final = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedMade:
    """A comparison of one made pair, and its truth."""

    found: Difference
    truth: float

    @property
    def held(self) -> bool:
        """Whether the 95 % interval holds the truth."""
        return abs(self.found.mean - self.truth) <= (self.found.half_width() or 0.0)


def compared_made(
    noise: PairNoise, random: np.random.Generator, *, readings: int = 300, late_s: float = 0.0
) -> ComparedMade:
    """Compare a made pair that reads one wandering signal."""
    both = 2 * readings
    wander: FloatArray = np.zeros(both)
    if noise == "white and flicker":
        wander = SIGMA * np.diff(made_phase(-1, both + 1, random))
    elif noise == "random walk":
        wander = SIGMA * np.cumsum(random.normal(size=both))
    apart = random.normal(0, 5e-9)
    time_base = apart + wander
    signal = 2e-9 + 1e-12 * np.arange(float(both))
    moments = np.arange(float(both))
    white = 0.0 if noise == "random walk" else SIGMA / np.sqrt(2)
    read = {
        "main": as_read(signal, 0.0) + random.normal(0, white, both),
        "spare": as_read(np.interp(moments + late_s, moments, signal), time_base)
        + random.normal(0, white, both),
    }
    (pair,) = made_pairs({name: one[:readings] for name, one in read.items()}, late_s=late_s)
    found = difference_of(pair)
    assert found is not None
    return ComparedMade(found=found, truth=float(np.mean(time_base[readings:])))


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeBench:
    """A comparison of a made bench, and which time base is off."""

    result: ComparisonResult
    off: str | None
    """The counter whose time base is off; None: none is."""

    @property
    def named(self) -> set[str]:
        """The counters whose time bases are said to be off."""
        return {claim.base.counter for claim in self.result.claims if claim.seen}


def made_bench(random: np.random.Generator, *, counters: int, is_off: bool = True) -> MadeBench:
    """Make a bench of some counters with known time bases, and compare them.

    Of two counters one is on the reference and says so; of more none tells anything, so that only
    the majority can. The one that is off is off by 20 to 2000 times the uncertainty of a mean.
    """
    names = [f"c{place}" for place in range(counters)]
    readings = int(random.integers(60, 400))
    white = SIGMA * random.uniform(0.5, 2.0, counters)
    bases = np.zeros(counters)
    place = int(random.integers(1 if counters == 2 else 0, counters))
    if is_off:
        size = white.max() / np.sqrt(readings) * 10.0 ** random.uniform(1.3, 3.3)
        bases[place] = size * random.choice([-1.0, 1.0])
    signal = 2e-9 + np.cumsum(random.normal(0, 1e-11, readings))
    read = {
        name: as_read(signal, base) + random.normal(0, sigma, readings)
        for name, base, sigma in zip(names, bases, white, strict=True)
    }
    told: Mapping[str, RunTimeBase] = dict.fromkeys(names, "unknown")
    if counters == 2:
        told = {names[0]: "external", names[1]: "internal"}
    result = compare_counters(
        made_pairs(read), told, references={n: NamedReference(counter=n, u=1e-12) for n in names}
    )
    return MadeBench(result=result, off=names[place] if is_off else None)
