"""Nudges found on oscillators that nobody turns, on random seeds.

python -m pytest tests/benchmarks -k false_nudges -s
"""

import secrets

import numpy as np
import pytest
from made_idle import IDLE, TARGETS, nudges

RUNS = 8
READINGS = 3600


@pytest.mark.timeout(600)
def test_quality_false_nudges() -> None:
    """Nudges in a thousand readings are within the targets plus two standard deviations."""
    seed = secrets.randbits(32)
    print(f"\nleft alone, {RUNS} runs of {READINGS} readings a family; seed {seed}")
    print(f"{'family':<14}{'nudges a thousand':>18}{'target':>8}{'worst run':>11}")
    found = {}
    for place, (name, make) in enumerate(IDLE.items()):
        rng = np.random.default_rng([seed, place])
        counts = [len(nudges(make(rng, READINGS), rng)) for _ in range(RUNS)]
        found[name] = 1000.0 * sum(counts) / (RUNS * READINGS)
        print(f"{name:<14}{found[name]:18.2f}{TARGETS[name]:8.1f}{max(counts):11d}")
    per_thousand = RUNS * READINGS / 1000.0

    for name, target in TARGETS.items():
        assert found[name] <= target + 2.0 * (target / per_thousand) ** 0.5
