"""Horizons of the settle verdict far shorter and far longer than the time between readings."""

import random

import pytest

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import SettleLimit
from benchwatch.quantity import parse_settle

NOISE = 1e-10


@pytest.mark.parametrize("step_s", [0.001, 1.0, 1000.0, 86400.0])
@pytest.mark.parametrize("horizon", ["1s", "1min", "1h", "100y"])
def test_any_horizon_that_can_be_typed_gets_a_verdict(step_s: float, horizon: str) -> None:
    """A quiet oscillator is never warming before a horizon has passed; warnings are errors."""
    limit = SettleLimit(*parse_settle(f"10ppb/{horizon}"))
    estimate, noise = LiveEstimate(settle=limit), random.Random(20310504)

    states = []
    for number in range(200):
        settle = estimate.add(number * step_s, 1e-8 + noise.gauss(0.0, NOISE)).settle
        assert settle is not None
        states.append(settle.state)

    assert states[-1] == ("settled" if 100 * step_s > limit.horizon_s else "unsure")
    assert "warming" not in states
