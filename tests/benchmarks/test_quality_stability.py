"""How often a deviation's limits cover the truth and its noise is identified, on random seeds.

python -m pytest tests/benchmarks/test_quality_stability.py -s
"""

import math

import numpy as np
import pytest
from stability_kit import made_phase

from benchwatch.estimate.stability import (
    NOISES,
    ONE_SIGMA,
    octave_factors,
    phase_of_phase,
    stability_table,
)

POINTS = 1025
RUNS = 150
FACTORS = [1, 4, 16, 64, 256]
# Mean of the Allan variance of made noise with unit innovations (`stability_kit`) at
# these factors: exact for white PM, white FM and random-walk FM (NIST SP 1065, discrete time).
TRUTH = {
    2: lambda m: 3 / m**2,
    0: lambda m: 1 / m,
    -2: lambda m: (2 * m**2 + 1) / (6 * m),
}


@pytest.mark.parametrize("alpha", sorted(TRUTH))
def test_limits_cover_the_truth_as_often_as_they_say(alpha: int) -> None:
    """Limits at 68.27 % cover the truth as often, with the noise identified from the same run."""
    seed = np.random.SeedSequence().entropy
    rng = np.random.default_rng(seed)
    covered = dict.fromkeys(FACTORS, 0)
    named = dict.fromkeys(FACTORS, 0)

    for _ in range(RUNS):
        phase = phase_of_phase(made_phase(alpha, POINTS, rng), 1.0)
        assert FACTORS[-1] in octave_factors(phase.points)
        for row in stability_table(phase, 1.0, ["oadev"], FACTORS):
            m = round(row.tau_s)
            truth = math.sqrt(TRUTH[alpha](m))
            assert row.low is not None
            assert row.high is not None
            covered[m] += row.low <= truth <= row.high
            named[m] += row.noise == NOISES[alpha]

    print(f"\n{NOISES[alpha]} (seed {seed}): of {RUNS} runs of {POINTS} phases, by τ {FACTORS}")
    print("  limits cover the truth ", [f"{n / RUNS:.2f}" for n in covered.values()])
    print("  noise named right      ", [f"{n / RUNS:.2f}" for n in named.values()])
    spread = math.sqrt(ONE_SIGMA * (1 - ONE_SIGMA) / RUNS)
    for m, n in covered.items():
        assert abs(n / RUNS - ONE_SIGMA) < 4.5 * spread, m
