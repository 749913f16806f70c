"""A verdict stays until there is evidence against it: over turns, and over gaps."""

import copy
import math

import numpy as np
import pytest
from seed_kit import unseen_seed

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import Settle, SettleHistory, SettleLimit
from benchwatch.estimate.settle.settle_estimator import SettleEstimator

pytestmark = pytest.mark.long

SIGMA = 5e-11
LIMIT = SettleLimit(1e-9, 600.0)


def turned(rng: np.random.Generator, seconds: float = 400.0) -> tuple[np.ndarray, np.ndarray]:
    """Make readings every quarter second of a settled oven whose trimmer is turned in bursts.

    Turns of a burst are half a second to four apart, of 1.5 to 20 ppb either way, each with a creep
    of 4 % that dies away in 4 s, as on the simulated trimmer.
    """
    t = np.arange(0.0, seconds, 0.25)
    y = 1e-10 * rng.standard_normal(len(t))
    at_s = 100.0
    while at_s < seconds - 60.0:
        for _ in range(rng.integers(1, 6)):
            size = rng.choice([-1.0, 1.0]) * rng.choice([1.5e-9, 3e-9, 6e-9, 2e-8])
            since = np.maximum(t - at_s, 0.0)
            y += np.where(t >= at_s, size * (1.0 - 0.04 * np.exp(-since / 4.0)), 0.0)
            at_s += rng.uniform(0.5, 4.0)
        at_s += rng.uniform(10.0, 40.0)
    return t, y


@pytest.mark.parametrize("horizon_s", [20.0, 60.0])
def test_turns_in_quick_succession_take_no_verdict_away(horizon_s: float) -> None:
    """The first verdict stays, in each of three sessions."""
    lost = 0
    for _ in range(3):
        live = LiveEstimate(settle=SettleLimit(1e-9, horizon_s))
        states = []
        for second, offset in zip(*turned(np.random.default_rng(unseen_seed())), strict=True):
            settle = live.add(float(second), float(offset), gate_s=0.25, resolution=4e-11).settle
            assert settle is not None
            states.append(settle.state)
        lost += len({*states[states.index("settled") :]}) > 1

    assert lost == 0


@pytest.mark.parametrize("seed", [113, 123])
def test_a_trim_longer_than_the_horizon_takes_no_verdict_away(seed: int) -> None:
    """Bursts of turns for twice the horizon, each before the last creep is over."""
    live, states = LiveEstimate(settle=SettleLimit(1e-9, 20.0)), []

    for second, offset in zip(*turned(np.random.default_rng(seed)), strict=True):
        settle = live.add(float(second), float(offset), gate_s=0.25, resolution=4e-11).settle
        assert settle is not None
        states.append(settle.state)

    assert {*states[states.index("settled") :]} == {"settled"}


def test_nudges_that_are_no_longer_fitted_end_the_past() -> None:
    """More nudges than are fitted, then two that count as one: no older one is fitted again."""
    rng = np.random.default_rng(8)
    settling = SettleEstimator(SettleLimit(1e-9, 60.0))
    level = 0.0
    for second in range(700):
        if second >= 300 and second % 40 == 0:
            level += 2e-8
        settling.add(float(second), level + 1e-11 * rng.standard_normal())
        if second >= 300 and second % 40 == 3:
            settling.step(second - 3.0)
        settling.results()
    for second in range(700, 730):
        level += 2e-8 * (second in {701, 706})
        settling.add(float(second), level + 1e-11 * rng.standard_normal())
        if second in {703, 708}:
            settling.step(second - 2.0)
        settling.results()

    settle = settling.results().verdict
    assert settle is not None
    assert settle.state == "settled"
    assert "less than 0.1 ppb" in settle.reason


class Night:
    """An oven that has come in and is watched; times in seconds of the run."""

    def __init__(self) -> None:
        self._rng = np.random.default_rng(12)
        self.live = LiveEstimate(settle=LIMIT)
        self.now_s = 0.0
        self.level = 0.0
        self.settled_at: list[float] = []
        self.settle: Settle | None = None

    def run(self, seconds: int, *, kick: float = 0.0, swell: float = 0.0) -> Settle:
        """Take a reading a second.

        Args:
            seconds: duration.
            kick: an offset that dies away in 100 s.
            swell: an offset that rises and falls within the duration.
        """
        before = self.settle
        for second in range(seconds):
            self.now_s += 1.0
            warm = 1e-6 * math.exp(-self.now_s / 200.0) + kick * math.exp(-second / 100.0)
            warm += swell * math.sin(math.pi * second / seconds)
            offset = self.level + warm + SIGMA * self._rng.standard_normal()
            self.settle = self.live.add(self.now_s, offset, gate_s=1.0, resolution=1e-12).settle
            assert self.settle is not None
            if self.settle.state == "settled" and (before is None or before.state != "settled"):
                self.settled_at.append(self.now_s)
            before = self.settle
        assert self.settle is not None
        return self.settle

    def gap(self, seconds: float) -> None:
        """Take no readings for so many seconds."""
        self.now_s += seconds
        self.live.gap(seconds)

    @property
    def held(self) -> SettleHistory:
        """The settle history so far."""
        assert self.settle is not None
        assert self.settle.held is not None
        return self.settle.held


@pytest.fixture(scope="module")
def nights() -> dict[int, Night]:
    """Return the same oven after so many seconds, for tests to copy."""
    night, after = Night(), {}
    for seconds in (3000, 4000, 5000):
        night.run(seconds - int(night.now_s))
        after[seconds] = copy.deepcopy(night)
    return after


def test_a_gap_of_minutes_after_an_hour_costs_less_than_a_minute(nights: dict[int, Night]) -> None:
    """Four minutes without readings after an hour settled; the level is the same after them."""
    night = copy.deepcopy(nights[5000])
    night.gap(240.0)
    after_s = night.now_s

    first = night.run(1)
    settled = night.run(600)

    assert first.state == "unsure"
    assert first.reason == "no readings for 4 min: comparing with the level before"
    assert settled.state == "settled"
    assert len(night.settled_at) == 2
    assert night.settled_at[1] - after_s < 60.0
    assert settled.since_s == pytest.approx(night.settled_at[1], abs=1.0)


def test_two_gaps_close_together_are_bridged_as_one(nights: dict[int, Night]) -> None:
    """The second comes while the readings after the first are compared."""
    night = copy.deepcopy(nights[5000])
    night.gap(100.0)
    night.run(10)
    night.gap(60.0)
    after_s = night.now_s

    night.run(100)

    assert night.settled_at[-1] - after_s < 60.0
    assert night.held.gaps == 2
    assert night.held.gaps_s == 160.0


@pytest.mark.parametrize(
    ("hours_s", "gap_s", "kick"), [(5000, 240.0, 2e-7), (5000, 240.0, 3e-9), (3000, 900.0, 0.0)]
)
def test_a_gap_after_which_all_is_not_as_before_is_earned_again(
    nights: dict[int, Night], hours_s: int, gap_s: float, kick: float
) -> None:
    """The power was off, or the gap is long compared with the time settled before."""
    night = copy.deepcopy(nights[hours_s])
    night.gap(gap_s)
    after_s = night.now_s

    night.run(300, kick=kick)

    assert all(at_s < after_s for at_s in night.settled_at)


def test_the_morning_tells_of_the_night(nights: dict[int, Night]) -> None:
    """When it settled first, how long that held, the worst excursion and the gaps.

    The rest of the warm-up after the verdict is part of the excursion.
    """
    night = copy.deepcopy(nights[4000])
    first_s = night.settled_at[0]
    night.run(1500, swell=-4e-10)
    night.run(500)
    night.gap(300.0)
    night.run(500)

    held = night.held
    assert held.first_s == pytest.approx(first_s, abs=1.0)
    at_first = 1e-6 * math.exp(-first_s / 200.0)
    assert held.worst == pytest.approx(-4e-10 - at_first, abs=1.2e-10)
    assert held.worst_s is not None
    assert 4000.0 < held.worst_s < 5600.0
    assert (held.gaps, held.gaps_s) == (1, 300.0)
    assert night.now_s - first_s - 300.0 - 120.0 < held.held_s < night.now_s - first_s - 300.0


def test_a_turn_is_no_excursion(nights: dict[int, Night]) -> None:
    """The oscillator is turned by 50 ppb and stays there."""
    night = copy.deepcopy(nights[3000])
    night.level = 5e-8
    night.run(600)

    assert abs(night.held.worst) < 5e-10


def test_another_limit_begins_the_record_anew(nights: dict[int, Night]) -> None:
    """The history under one limit does not apply to another."""
    night = copy.deepcopy(nights[3000])
    night.live.set_limits(None, SettleLimit(1e-8, 60.0))
    night.run(60)

    assert night.held.first_s >= 3000.0
