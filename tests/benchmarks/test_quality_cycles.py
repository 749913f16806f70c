"""How often an oven that cycles is called settled, and what is told of the cycle; fresh seeds."""

import secrets

import numpy as np
import pytest
from made_cycles import SHAPES, cycling
from made_warmups import LIMIT

from benchwatch.estimate.settle.settling import Settling

RUNS = 16
LOOK_S = 5


@pytest.mark.timeout(900)
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("horizons", [(0.05, 1.0), (1.0, 2.0), (2.0, 4.0)])
def test_an_oven_that_cycles(shape: str, horizons: tuple[float, float]) -> None:
    """Swings of 1.5 to 10 limits: share called settled at any time; never, up to two horizons.

    Of a longer period only a part can be seen before the verdict.
    """
    seed = secrets.randbits(32)
    rng = np.random.default_rng(seed)
    settled, told, period_off, swing_off = [], 0, [], []

    for _ in range(RUNS):
        low_s, high_s = (share * LIMIT.horizon_s for share in horizons)
        period_s = low_s * (high_s / low_s) ** rng.uniform()
        made = cycling(rng, shape, seconds=7000, period_s=period_s)
        excursion, settling, false_s = made.made.excursion(), Settling(LIMIT), 0
        for second, offset in enumerate(made.made.readings.tolist()):
            settling.add(float(second), offset)
            if second % LOOK_S == 0:
                verdict = settling.verdict()
                assert verdict is not None
                false_s += LOOK_S * (verdict.state == "settled")
        if false_s:
            settled.append(
                f"{made.swing / LIMIT.limit:.1f} limits, {period_s:.0f} s: for {false_s} s, "
                f"worst {excursion.max() / LIMIT.limit:.1f}"
            )
        cycle = verdict.cycle
        if cycle is not None:
            told += 1
            period_off.append(abs(cycle.period_s / period_s - 1.0))
            swing_off.append(cycle.swing / made.swing)

    print(
        f"\n{shape}, {horizons[0]:g} to {horizons[1]:g} horizons (seed {seed}): called settled in "
        f"{len(settled)} of {RUNS} {settled}; told at the end in {told}; period off by "
        f"{np.median(period_off) if told else np.nan:.2%} in the median, swing over truth "
        f"{np.round(np.percentile(swing_off, [10, 50, 90]), 2) if told else ''}"
    )
    assert not settled or horizons[1] > 2.0


@pytest.mark.timeout(900)
@pytest.mark.parametrize("shape", SHAPES)
def test_an_oven_that_swings_by_a_fifth_of_the_limit(shape: str) -> None:
    """It is settled; how late after the exponential is over, in horizons."""
    seed = secrets.randbits(32)
    rng = np.random.default_rng(seed)
    late = []

    for _ in range(RUNS):
        made = cycling(rng, shape, seconds=10_000, swing=0.2)
        settling, truly = Settling(LIMIT), made.come_in()
        given = np.inf
        for second, offset in enumerate(made.made.readings.tolist()):
            settling.add(float(second), offset)
            if second % LOOK_S == 0:
                verdict = settling.verdict()
                assert verdict is not None
                if verdict.state == "settled":
                    given = second
                    break
        late.append((given - truly) / LIMIT.horizon_s)

    print(
        f"\n{shape}, a fifth of the limit (seed {seed}): settled in {np.isfinite(late).sum()} of "
        f"{RUNS}; late by {np.round(np.percentile(late, [10, 50, 90]), 2)} horizons"
    )
    assert np.isfinite(late).all()
