"""How often a cycling oven is called settled, and how right the cycle is, on random seeds."""

import secrets

import numpy as np
import pytest
from made_cycles import SHAPES, cycling
from made_warmups import LIMIT

from benchwatch.estimate.settle.settle_estimator import SettleEstimator

RUNS = 16
LOOK_S = 5
SEEN_S = 30
"""Seconds from a jump until it is seen."""


@pytest.mark.timeout(900)
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("horizons", [(0.05, 1.0), (1.0, 2.0), (2.0, 4.0)])
def test_an_oven_that_cycles(shape: str, horizons: tuple[float, float]) -> None:
    """Swings of 1.5 to 10 limits: share called settled before and after the past shows them.

    Before its first jump a slow saw-tooth is a drift within the limit, and a slow relaxation is a
    tail. After it (see `MadeCycle.shown_from`) none may be called settled, and with a period of up
    to a horizon none at all.
    """
    seed = secrets.randbits(32)
    rng = np.random.default_rng(seed)
    before, after, shown, period_off, swing_off = [], [], 0, [], []

    for _ in range(RUNS):
        low_s, high_s = (share * LIMIT.horizon_s for share in horizons)
        period_s = low_s * (high_s / low_s) ** rng.uniform()
        made = cycling(rng, shape, seconds=7000, period_s=period_s)
        settling, shown_s = SettleEstimator(LIMIT), made.shown_from(shape)
        state, given = "unsure", []
        for second, offset in enumerate(made.made.readings.tolist()):
            settling.add(float(second), offset)
            if second % LOOK_S == 0:
                verdict = settling.results().verdict
                assert verdict is not None
                if verdict.state == "settled" and state != "settled":
                    given.append(second)
                state = verdict.state
        summary = (
            f"{made.swing / LIMIT.limit:.1f} limits, {period_s:.0f} s: at {given}, shown {shown_s}"
        )
        if any(second < shown_s + SEEN_S for second in given):
            before.append(summary)
        if any(second >= shown_s + SEEN_S for second in given):
            after.append(summary)
        cycle = verdict.cycle
        if cycle is not None:
            shown += 1
            period_off.append(abs(cycle.period_s / period_s - 1.0))
            swing_off.append(cycle.swing / made.swing)

    print(
        f"\n{shape}, {horizons[0]:g} to {horizons[1]:g} horizons (seed {seed}): called settled "
        f"before its first jump was seen in {len(before)} of {RUNS} {before}, after it in "
        f"{len(after)} {after}; shown at the end in {shown}; period off by "
        f"{np.median(period_off) if shown else np.nan:.2%} in the median, swing over truth "
        f"{np.round(np.percentile(swing_off, [10, 50, 90]), 2) if shown else ''}"
    )
    assert not after
    assert not before or horizons[1] > 1.0


@pytest.mark.timeout(900)
@pytest.mark.parametrize("shape", SHAPES)
def test_an_oven_that_swings_by_a_fifth_of_the_limit(shape: str) -> None:
    """The verdict is settled; prints the time from the end of the warm-up to it, in horizons."""
    seed = secrets.randbits(32)
    rng = np.random.default_rng(seed)
    late = []

    for _ in range(RUNS):
        made = cycling(rng, shape, seconds=10_000, swing=0.2)
        settling, truly = SettleEstimator(LIMIT), made.come_in()
        given = np.inf
        for second, offset in enumerate(made.made.readings.tolist()):
            settling.add(float(second), offset)
            if second % LOOK_S == 0:
                verdict = settling.results().verdict
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
