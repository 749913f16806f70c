"""How often the range of the time to go holds the verdict's time, on random made warm-ups."""

import secrets

import numpy as np
import pytest
from made_warmups import FAMILIES, LIMIT, double_exponential, ringing

from benchwatch.estimate.settle.settle_estimator import SettleEstimator

MADE_AS = {**FAMILIES, "double exponential": double_exponential, "ringing": ringing}
RUNS = 20
EVERY = 10
"""Seconds between two evaluations."""


@pytest.mark.parametrize(
    "family", ["slow tail", "double exponential", "overshoot", "ringing", "flicker"]
)
def test_time_to_go_holds_the_verdict(family: str) -> None:
    """The range shown holds the verdict's time in four of five evaluations.

    Also printed: how often a range is shown, and its middle and width over the truth.
    """
    seed = secrets.randbits(32)
    rng = np.random.default_rng(seed)
    waited, inside, ratios, widths = 0, [], [], []

    for _ in range(RUNS):
        shown, end_s = looks(MADE_AS[family](rng).readings)
        waited += end_s // EVERY
        inside += [low <= end_s - at_s <= high for at_s, low, _, high in shown]
        ratios += [middle / (end_s - at_s) for at_s, _, middle, _ in shown if end_s > at_s]
        widths += [(high - low) / (end_s - at_s) for at_s, low, _, high in shown if end_s > at_s]

    low, middle, high = np.percentile(ratios, [10, 50, 90])
    print(
        f"\n{family} (seed {seed}): shown at {len(inside) / waited:.0%} of {waited} looks, held "
        f"{np.mean(inside):.0%}; middle over truth {low:.2f} {middle:.2f} {high:.2f} (10, 50, 90 %)"
        f", width over truth {np.median(widths):.1f} in the median"
    )
    assert np.mean(inside) > 0.8


def looks(readings: np.ndarray) -> tuple[list[tuple[float, float, float, float]], int]:
    """Return (second, low, middle, high) of each time to go, and the second of the verdict."""
    settling, shown = SettleEstimator(LIMIT), []
    for second, offset in enumerate(readings):
        settling.add(float(second), float(offset))
        if second % EVERY:
            continue
        verdict = settling.results().verdict
        assert verdict is not None
        if verdict.state == "settled":
            return shown, second
        if verdict.eta_s is not None and verdict.eta_low_s is not None:
            assert verdict.eta_high_s is not None
            shown.append((second, verdict.eta_low_s, verdict.eta_s, verdict.eta_high_s))
    return shown, len(readings)
