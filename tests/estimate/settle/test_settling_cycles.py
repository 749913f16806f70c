"""An oven that cycles: never settled while its swing is too large, and the cycle is reported."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from made_cycles import SHAPES, MadeCycle, cycling
from made_warmups import FAMILIES, LIMIT
from seed_kit import unseen_seed

from benchwatch.estimate.block_means import OctaveMeans
from benchwatch.estimate.results import Numbers, OffsetCycle, Settle, SettleHistory
from benchwatch.estimate.settle.cycle_search import CycleSearch, find_cycle
from benchwatch.estimate.settle.fitted_cycle import FittedCycle
from benchwatch.estimate.settle.settle_estimator import SettleEstimator
from benchwatch.line_output import json_line
from benchwatch.reading import Reading

pytestmark = pytest.mark.long


def _watched(made: MadeCycle, *, every: int = 5) -> tuple[int | None, Settle]:
    """Return the second at which it was first called settled, and the last verdict."""
    settling, given = SettleEstimator(LIMIT), None
    for second, offset in enumerate(made.made.readings.tolist()):
        settling.add(float(second), offset)
        if second % every:
            continue
        settle = settling.results().verdict
        assert settle is not None
        if given is None and settle.state == "settled":
            given = second
    settle = settling.results().verdict
    assert settle is not None
    return given, settle


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("period_s", [(30.0, 120.0), (120.0, 600.0)])
def test_an_oven_that_cycles_too_far_is_never_settled(shape: str, period_s: tuple) -> None:
    """Swings of 1.5 to 10 limits after an exponential; period and swing are near the truth."""
    rng = np.random.default_rng(unseen_seed())
    made = cycling(rng, shape, seconds=4500, period_s=rng.uniform(*period_s))

    given, settle = _watched(made)

    assert given is None
    assert settle.cycle is not None
    assert settle.cycle.period_s == pytest.approx(made.period_s, rel=0.05)
    assert settle.cycle.swing == pytest.approx(made.swing, rel=0.25)
    assert settle.reason.startswith("cycles by ")


def test_a_cycle_longer_than_the_horizon_is_not_settled_either() -> None:
    """Two horizons long and three limits high: the part that was seen prevents the verdict."""
    made = cycling(np.random.default_rng(unseen_seed()), "sine", swing=3.0, period_s=1200.0)

    given, settle = _watched(made)

    assert given is None
    assert settle.cycle is not None


@pytest.mark.parametrize("shape", SHAPES)
def test_an_oven_that_swings_by_a_fifth_of_the_limit_is_settled(shape: str) -> None:
    """From peak to peak, for any shape."""
    rng = np.random.default_rng(unseen_seed())
    made = cycling(rng, shape, seconds=9000, swing=0.2)

    given, _ = _watched(made)

    assert given is not None


@pytest.mark.parametrize("family", ["slow tail", "overshoot", "flicker"])
def test_a_warm_up_is_no_cycle(family: str) -> None:
    """Without a cycle none is reported, at any noise."""
    made = FAMILIES[family](np.random.default_rng(unseen_seed()))
    settling, found = SettleEstimator(LIMIT), 0

    for second, offset in enumerate(made.readings[:6000].tolist()):
        settling.add(float(second), offset)
        if second % 10 == 0:
            settle = settling.results().verdict
            found += settle is not None and settle.cycle is not None

    assert found <= 12


def test_swing_and_period_lie_within_their_uncertainty() -> None:
    """A sine in white noise: in thirty or more of forty fits the truth is within 2u."""
    rng = np.random.default_rng(unseen_seed())
    period_inside = swing_inside = 0
    t = np.arange(400.0)
    for _ in range(40):
        period_s, swing = rng.uniform(32.0, 60.0), rng.uniform(1e-9, 5e-9)
        y = 0.5 * swing * np.sin(2.0 * np.pi * (t / period_s + rng.uniform()))
        y += 3e-10 * rng.standard_normal(len(t))
        found = find_cycle(np.array([t, y, np.ones_like(t)]), 30.0, 1e-9, 1.0)
        assert found is not None
        period_inside += abs(found.period_s - period_s) < 2.0 * found.period_u
        swing_inside += abs(found.swing - swing) < 3.0 * found.swing_u

    assert period_inside >= 30
    assert swing_inside >= 30


def test_neither_a_step_nor_an_exponential_is_a_cycle() -> None:
    """An unconfirmed nudge, and a warm-up of twenty limits, at low noise."""
    t = np.arange(96.0)
    noise = 1e-12 * np.random.default_rng(3).standard_normal(96)

    for shape in (3e-9 * (t > 40.0), 2e-8 * np.exp(-t / 17.0)):
        for shortest_s in (8.0, 16.0, 32.0):
            found = find_cycle(np.array([t, shape + noise, np.ones(96)]), shortest_s, 1e-9, 1.0)
            assert found is None or found.swing < 3e-11


def test_more_is_asked_of_a_cycle_that_was_seen_few_times() -> None:
    """The power that flicker noise reaches grows with the period.

    One cycle of 2.7 periods at 143 times the residual variance came up in such noise alone.
    """
    often = FittedCycle(
        period_s=200.0,
        period_u=1.0,
        swing=1e-10,
        swing_u=1e-11,
        decay_per_s=0.0,
        seen=8.0,
        power=143.0,
        since_s=0.0,
        until_s=1600.0,
    )
    seldom = FittedCycle(
        period_s=1081.0,
        period_u=20.0,
        swing=1e-10,
        swing_u=1e-11,
        decay_per_s=0.0,
        seen=2.7,
        power=143.0,
        since_s=0.0,
        until_s=2900.0,
    )

    assert often.shown(1e-9) is not None
    assert seldom.shown(1e-9) is None
    assert replace(seldom, power=300.0).shown(1e-9) is not None


def test_a_look_goes_through_all_octaves_and_begins_anew() -> None:
    """One octave a call, up to some horizons; then False, and the first octave again."""
    means = OctaveMeans()
    for second, offset in enumerate(1e-10 * np.random.default_rng(5).standard_normal(4000)):
        means.add(float(second), float(offset))
    finder = CycleSearch()

    def look() -> bool:
        return finder.search(means, -math.inf, 1.0, horizon_s=600.0, limit=1e-9)

    rounds = [look() for _ in range(20)]

    assert rounds.index(False) == 10
    assert rounds[10:].count(False) == 1 + (len(rounds) - 11) // 11
    assert finder.cycle is None


def test_the_cycle_is_in_the_line_for_programs() -> None:
    """Seconds and fractions, null without a cycle."""
    reading = Reading(
        counter="main",
        utc_s=1.9e9,
        elapsed_s=12.0,
        gate_s=1.0,
        text="10000000.0",
        frequency_hz=1e7,
        offset_hz=0.0,
        offset=0.0,
    )
    held = SettleHistory(10.0, 3600.0, -4e-10, 1800.0, 1, 62.0)
    settle = Settle(
        "settled",
        10.0,
        None,
        cycle=OffsetCycle(period_s=300.0, period_u=2.0, swing=4.2e-10, swing_u=1e-11),
        held=held,
    )

    line = json.loads(json_line(reading, Numbers(settle=settle)))
    without = json.loads(json_line(reading, Numbers(settle=Settle("unsure", None, None))))

    assert line["settle"]["cycle"] == {
        "period_s": 300.0,
        "period_u": 2.0,
        "swing": 4.2e-10,
        "swing_u": 1e-11,
    }
    assert line["settle"]["held"] == {
        "first_s": 10.0,
        "held_s": 3600.0,
        "worst": -4e-10,
        "worst_s": 1800.0,
        "gaps": 1,
        "gaps_s": 62.0,
    }
    assert without["settle"]["cycle"] is None
    assert without["settle"]["held"] is None
