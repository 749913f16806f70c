"""The noise of each of three or more counters alone, with limits.

With N counters A, B, C ... of independent noise, the mean of (A - B)(A - C) over all pairs of
others is A's own variance; it follows from the variances of the pairs alone. For three it is the
three-cornered hat (Gray and Allan 1974), for more the least-squares solution over all pairs, which
is the mean over all triples. Its own variance, with a, b, c for the true ones and ν the
degrees of freedom of a pair's variance, is

    [2a² + 4a·Σb/(N-1)² + 4·Σbc/((N-1)(N-2))²] / ν,

as the terms are products of independent normal numbers. From it come the degrees of freedom of
the result, 2a²·ν/[...], and its χ² limits. A share that is not above the scatter that the others
alone would give it is not resolvable: then only an upper limit is stated, never zero.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.comparison.counter_comparison import FEWEST_TERMS, THREE_PAIRS
from benchwatch.estimate.comparison.matched_pair import MatchedPair, still
from benchwatch.estimate.stability import (
    Phase,
    Terms,
    chi2_limits,
    degrees_of_freedom,
    factor_of,
    lag1_alpha,
    phase_of_offsets,
    variance,
    variance_ratio,
)

SHARE_COVERAGE: Final = 0.95
ONE_SIDED: Final = 1.645
"""Quantile of the normal distribution that 95 % lie below."""
FEWEST_DEGREES: Final = 1.0
"""Fewest degrees of freedom of a share that is resolvable."""
WITHIN: Final = 0.1
"""Relative difference up to which an averaging time counts as a multiple of a pair's interval."""
DEAD_TIME_FROM: Final = 1.02
"""Interval over gate from which on there is dead time between the readings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnShare:
    """The Allan deviation of one counter alone at one averaging time; limits at 95 %."""

    counter: str
    tau_s: float
    deviation: float | None
    """None: not resolvable beside the noise of the others."""
    low: float | None
    """Lower limit; None where it is not resolvable."""
    high: float
    """Upper limit; of one that is not resolvable, the largest that would go unseen."""
    edf: float
    """Degrees of freedom of the limits."""
    terms: int
    """Differences in the pair with the fewest."""

    def as_dict(self) -> dict[str, Any]:
        """Return the share as plain values for JSON."""
        return {
            "counter": self.counter, "tau_s": self.tau_s, "adev": self.deviation, "low": self.low,
            "high": self.high, "edf": self.edf, "n": self.terms, "confidence": SHARE_COVERAGE,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _PairPhase:
    """The phase of one pair's difference, and what corrects its variance."""

    phase: Phase
    interval_s: float
    alpha: int | None
    dead_ratio: float
    """Interval over gate; 1 without dead time."""


def own_shares(pairs: Sequence[MatchedPair]) -> tuple[OwnShare, ...]:
    """Return the noise of each counter alone, at octaves of the longest interval of a pair.

    Where both counters of a pair tell one gate that is shorter than their interval, its variance
    is corrected for the dead time (Barnes 1969: B2), by the noise that its readings show.

    Args:
        pairs: all pairs of three or more counters; with others nothing is returned.
    """
    names = list(dict.fromkeys(name for pair in pairs for name in (pair.first, pair.second)))
    phases = {
        frozenset({pair.first, pair.second}): found
        for pair in pairs
        if (found := _phase_of(pair)) is not None
    }
    if len(names) < THREE_PAIRS or len(phases) < math.comb(len(names), 2):
        return ()
    base_s = max(one.interval_s for one in phases.values())
    rows: list[OwnShare] = []
    octave = 1
    while row := _shares_at(octave * base_s, names, phases):
        rows += row
        octave *= 2
    return tuple(rows)


def own_variances(
    squares: Mapping[frozenset[str], float], names: Sequence[str]
) -> dict[str, float]:
    """Return the variance of each counter alone, below zero where noise makes it so.

    Args:
        squares: variance of the difference of every pair of counters.
        names: the counters, three or more.
    """
    count = len(names)
    total = math.fsum(squares.values())
    return {
        name: (
            math.fsum(squares[frozenset({name, other})] for other in names if other != name)
            - total / (count - 1)
        )
        / (count - 2)
        for name in names
    }


def _phase_of(pair: MatchedPair) -> _PairPhase | None:
    apart = np.where(still(pair), pair.apart, np.nan)
    if np.count_nonzero(np.isfinite(apart)) < FEWEST_TERMS or not pair.interval_s > 0:
        return None
    phase = phase_of_offsets(_without_ends(apart))
    dead = 1.0 if pair.gate_s is None else max(pair.interval_s / pair.gate_s, 1.0)
    alpha = lag1_alpha(phase)
    return _PairPhase(
        phase,
        pair.interval_s,
        None if alpha is None else min(max(round(alpha), -2), 2),
        dead if dead >= DEAD_TIME_FROM else 1.0,
    )


def _without_ends(apart: FloatArray) -> FloatArray:
    """Return differences without those that are missing at either end."""
    here = np.flatnonzero(np.isfinite(apart))
    return apart[here[0] : here[-1] + 1]


def _shares_at(
    tau_s: float, names: Sequence[str], phases: Mapping[frozenset[str], _PairPhase]
) -> list[OwnShare]:
    """Return the shares at one averaging time; none where a pair is too short for it."""
    squares, dofs, counts = {}, [], []
    for key, one in phases.items():
        m = factor_of(tau_s, one.interval_s, within=WITHIN)
        if m is None:
            return []
        square, runs = variance("oadev", one.phase, m)
        terms = int(runs.sum())
        if terms < max(2 * m, FEWEST_TERMS) or not math.isfinite(square):
            return []
        if one.alpha is not None:
            square /= variance_ratio(one.alpha, m, one.dead_ratio)
        squares[key] = square
        counts.append(terms)
        dofs.append(degrees_of_freedom(Terms(name="oadev", m=m, runs=runs), one.alpha))
    alone = own_variances(squares, names)
    return [_share(name, tau_s, alone, min(dofs), min(counts)) for name in names]


def _share(name: str, tau_s: float, alone: Mapping[str, float], dof: float, terms: int) -> OwnShare:
    """Return the share of one counter with its limits.

    Args:
        name: the counter.
        tau_s: averaging time.
        alone: variance of every counter alone.
        dof: degrees of freedom of a pair's variance.
        terms: differences in the pair with the fewest.
    """
    mine, count = alone[name], len(alone)
    others = [max(square, 0.0) for other, square in alone.items() if other != name]
    crossed = 4.0 * math.fsum(others) / (count - 1) ** 2
    of_others = math.fsum(b * c for b, c in combinations(others, 2))
    of_others *= 4.0 / ((count - 1) * (count - 2)) ** 2
    unseen = ONE_SIDED * math.sqrt(of_others / dof)
    spread = 2.0 * max(mine, 0.0) ** 2 + crossed * max(mine, 0.0) + of_others
    edf = 2.0 * mine * mine * dof / spread if spread > 0 else 0.0
    if not mine > unseen or edf < FEWEST_DEGREES:
        high = math.sqrt(max(mine, 0.0) + ONE_SIDED * math.sqrt(spread / dof))
        return OwnShare(
            counter=name, tau_s=tau_s, deviation=None, low=None, high=high, edf=edf, terms=terms
        )
    low, high = chi2_limits(math.sqrt(mine), edf, SHARE_COVERAGE)
    return OwnShare(
        counter=name,
        tau_s=tau_s,
        deviation=math.sqrt(mine),
        low=low,
        high=high,
        edf=edf,
        terms=terms,
    )
