"""The live estimate as a whole: the numbers after each reading."""

import math

import numpy as np
import pytest

from benchwatch.estimate.level.level_estimator import LevelEstimator
from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import Numbers, SettleLimit

SIGMA = 1e-11


def quiet(readings: int, level: float = 0.0, seed: int = 4) -> list[float]:
    """Return white noise about a level."""
    return [float(y) for y in level + SIGMA * np.random.default_rng(seed).standard_normal(readings)]


def feed(live: LiveEstimate, offsets: list[float], start_s: float = 0.0) -> list[Numbers]:
    """Run a live estimate over readings, one a second."""
    return [live.add(start_s + k, offset, gate_s=1.0) for k, offset in enumerate(offsets)]


def test_two_readings_give_their_mean() -> None:
    """The simplest run."""
    live = LiveEstimate()

    live.add(0.0, 1e-9)
    numbers = live.add(1.0, 3e-9)

    assert numbers.estimate is not None
    assert math.isclose(numbers.estimate.offset, 2e-9)
    assert numbers.estimate.readings == 2


@pytest.mark.parametrize("offset", [math.nan, math.inf])
def test_reading_without_a_value_changes_nothing(offset: float) -> None:
    """Any value that is not finite is ignored."""
    live = LiveEstimate(tolerance=1e-8)
    before = live.add(0.0, 1e-9)

    assert live.add(1.0, offset) is before


def test_estimate_is_the_level() -> None:
    """The estimate is that of `LevelEstimator`, unchanged."""
    offsets = quiet(60) + quiet(40, level=1e-9)
    level = LevelEstimator()

    numbers = feed(LiveEstimate(), offsets)

    for k, (offset, after) in enumerate(zip(offsets, numbers, strict=True)):
        now = level.add(float(k), offset, gate_s=1.0, resolution=0.0)
        assert after.estimate == now.estimate


def test_tolerance_is_judged_by_the_estimate() -> None:
    """Inside or outside follows the estimate at once; without a limit there is neither."""
    live = LiveEstimate(tolerance=5e-10)

    inside, outside = feed(live, quiet(20))[-1], feed(live, quiet(20, 1e-9), 20.0)[0]

    assert inside.tolerance is not None
    assert inside.tolerance.inside
    assert outside.tolerance is not None
    assert not outside.tolerance.inside
    assert LiveEstimate().add(0.0, 0.0).tolerance is None


def test_readings_within_one_tick_of_a_coarse_clock_are_survived() -> None:
    """Four have each stamp, with a nudge among them (some clocks tick 64 times a second)."""
    live = LiveEstimate(settle=SettleLimit(1e-9, 60.0))
    offsets = quiet(400) + quiet(400, level=1e-9)

    numbers = [live.add((k // 4) / 64.0, offset) for k, offset in enumerate(offsets)]

    (nudge,) = [after.confirmed_nudge for after in numbers if after.confirmed_nudge is not None]
    assert nudge.at_s == 400 / 4 / 64.0
    assert numbers[-1].drift is not None
    assert numbers[-1].drift.u is not None
    assert abs(numbers[-1].drift.per_s) < 4.0 * numbers[-1].drift.u


def test_nudge_is_news_once_and_remembered() -> None:
    """`confirmed_nudge` is set for one reading only, `last_nudge` from then on, also over a gap.

    Its size is then estimated from all readings since.
    """
    live = LiveEstimate()
    feed(live, quiet(30))

    numbers = feed(live, quiet(25, level=1e-9), 30.0)  # before, a creep can't be ruled out
    live.gap()

    news = [after.confirmed_nudge for after in numbers if after.confirmed_nudge is not None]
    assert len(news) == 1
    last = numbers[-1].last_nudge
    assert last is not None
    assert (last.at_s, last.lasted_s) == (news[0].at_s, news[0].lasted_s)
    assert last.size == pytest.approx(1e-9, abs=3.0 * (last.u or 0.0))
    assert (last.u or 1.0) < (news[0].u or 0.0)
    assert live.numbers.last_nudge == last
    assert live.numbers.estimate is None


def test_spike_is_identified_with_the_next_reading() -> None:
    """The wild reading is `suspect`; the next one identifies it, and drift never includes it."""
    live, clean = LiveEstimate(), LiveEstimate()
    offsets = quiet(100)
    feed(live, offsets[:60])
    feed(clean, offsets[:60])

    wild = live.add(60.0, 1e-6, gate_s=1.0)
    after = feed(live, offsets[61:], 61.0)
    expected = feed(clean, offsets[61:], 61.0)

    assert wild.suspect
    assert wild.spike_at_s is None
    assert after[0].spike_at_s == 60.0
    assert after[-1].drift is not None
    assert expected[-1].drift is not None
    assert after[-1].drift.per_s == pytest.approx(expected[-1].drift.per_s, abs=1e-13)


def test_settle_verdict_only_when_asked() -> None:
    """Drift is always estimated, the verdict given only with a limit."""
    without = feed(LiveEstimate(), quiet(200))[-1]
    against = feed(LiveEstimate(settle=SettleLimit(1e-9, 600.0)), quiet(200))[-1]

    assert without.drift is not None
    assert without.settle is None
    assert against.settle is not None


def test_memory_stays_bounded() -> None:
    """The level holds no more after 5 000 readings than after 2 500."""
    level = LevelEstimator()

    def held() -> int:
        octaves = level._wander._octaves
        return (
            len(level._recent)
            + len(level._runs.runs)
            + len(level._noise._first)
            + len(level._noise._second)
            + sum(len(o.blocks) + len(o.allan) + len(o.hadamard) for o in octaves)
        )

    sizes = []
    for k, offset in enumerate(quiet(5000)):
        level.add(float(k), offset, gate_s=1.0, resolution=0.0)
        if k in (2499, 4999):
            sizes.append(held())

    assert sizes[1] <= sizes[0] + 300
    assert sizes[1] < 2500


def test_a_warm_up_that_is_over_widens_u_no_more() -> None:
    """After a warm-up from 4 ppm, u is that of the noise again, and covers the truth."""
    t = np.arange(0.0, 120.0, 0.25)
    truth = 4e-6 * np.exp(-t / 5.0) + 2e-7 * np.exp(-t / 10.0)
    covered, widths = [], []

    for seed in range(700, 706):
        live = LiveEstimate()
        noise = 1.2e-10 * np.random.default_rng(seed).standard_normal(len(t))
        for at_s, true, offset in zip(t, truth, truth + noise, strict=True):
            estimate = live.add(at_s, offset, gate_s=0.25).estimate
            if at_s > 85.0:
                assert estimate is not None
                assert estimate.u is not None
                covered.append(abs(estimate.offset - true) < 2.0 * estimate.u)
                widths.append(estimate.u)

    assert np.mean(covered) > 0.95
    assert np.percentile(widths, 95) < 2e-10
