"""Quality of comparisons of counters, on made pairs and benches with random seeds; printed only."""

import secrets

import numpy as np
import pytest
from made_pairs import NOISES, PairNoise, compared_made, made_bench

PAIRS = 300
BENCHES = 100


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("readings", [100, 300, 1000])
def test_interval_of_a_difference(noise: PairNoise, readings: int) -> None:
    """Print how often the 95 % interval holds the truth; asked are 93 to 97 %."""
    random = np.random.default_rng(secrets.randbits(32))
    made = [compared_made(noise, random, readings=readings) for _ in range(PAIRS)]
    held = np.mean([one.held for one in made])

    print(f"\n{noise}, {readings} readings: {100 * held:.1f} % of {PAIRS} held")
    assert held > 0.5


@pytest.mark.parametrize("counters", [2, 3, 4, 5])
def test_the_right_time_base_is_named(counters: int) -> None:
    """Print how often the right one is named, and a wrong one; asked are 95 % and none."""
    random = np.random.default_rng(secrets.randbits(32))
    made = [made_bench(random, counters=counters) for _ in range(BENCHES)]
    even = [made_bench(random, counters=counters, is_off=False) for _ in range(BENCHES)]
    right = np.mean([one.named == {one.off} for one in made])
    wrong = sum(bool(one.named - {one.off}) for one in (*made, *even))

    print(f"\n{counters} counters: {100 * right:.0f} % right, {wrong} wrong of {len(made + even)}")
    assert right > 0.5
