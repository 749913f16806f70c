"""The live level over lost readings and longer gaps."""

import math

import numpy as np
import pytest
from made_hard_levels import rms, with_losses
from made_sessions import make_flicker
from pipeline_kit import reading
from seed_kit import unseen_seed

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import Numbers
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.reading import Gap

SIGMA = 1e-11


def quiet(readings: int, level: float = 0.0, seed: int = 4) -> list[float]:
    """Return white noise about a level."""
    return [float(y) for y in level + SIGMA * np.random.default_rng(seed).standard_normal(readings)]


def feed(live: LiveEstimate, offsets: list[float], start_s: float = 0.0) -> list[Numbers]:
    """Run a live estimate over readings, one a second."""
    return [live.add(start_s + k, offset, gate_s=1.0) for k, offset in enumerate(offsets)]


@pytest.mark.parametrize("missing", [1, 2, 3])
def test_a_few_lost_readings_cost_only_themselves(missing: int) -> None:
    """The level continues with all its readings and its u."""
    live = LiveEstimate()
    before = feed(live, quiet(50))[-1].estimate

    goes_on = live.gap(missing + 1.0)
    during = live.numbers.estimate
    after = live.add(50.0 + missing, 0.0, gate_s=1.0).estimate

    assert goes_on
    assert during == before
    assert before is not None
    assert after is not None
    assert after.readings == before.readings + 1
    assert abs(after.offset - before.offset) < SIGMA


@pytest.mark.parametrize("lasted_s", [2.0, 4.0, 20.0])
def test_a_step_after_a_gap_is_followed_on_its_first_reading(lasted_s: float) -> None:
    """The continued level does not delay it, and the turn is confirmed."""
    live = LiveEstimate()
    feed(live, quiet(60))

    assert live.gap(lasted_s)
    first, *later = feed(live, quiet(6, 50 * SIGMA), 59.0 + lasted_s)

    assert first.estimate is not None
    assert first.estimate.offset == pytest.approx(50 * SIGMA, abs=2.0 * SIGMA)
    assert first.estimate.readings == 1
    (nudge,) = [after.confirmed_nudge for after in later if after.confirmed_nudge is not None]
    assert nudge.size == pytest.approx(50 * SIGMA, abs=3.0 * SIGMA)
    assert nudge.at_s == 59.0 + lasted_s


def test_a_turn_just_before_a_lost_reading_is_told() -> None:
    """One reading on the new level, one lost, then more: one nudge, at its first reading."""
    live = LiveEstimate()
    feed(live, quiet(40))
    feed(live, quiet(1, 60 * SIGMA), 40.0)

    live.gap(2.0)
    later = feed(live, quiet(5, 60 * SIGMA, seed=5), 42.0)

    (nudge,) = [after.confirmed_nudge for after in later if after.confirmed_nudge is not None]
    assert nudge.at_s == 40.0


def test_a_gap_is_long_or_short_against_what_was_seen() -> None:
    """The level continues if it had stood for longer; the longer the gap, the smaller its count."""
    found = {}
    for lasted_s in (30.0, 200.0, 900.0):
        live = LiveEstimate()
        before = feed(live, quiet(600))[-1].estimate
        goes_on = live.gap(lasted_s)
        after = live.add(599.0 + lasted_s, 0.0, gate_s=1.0).estimate
        assert before is not None
        assert after is not None
        found[lasted_s] = goes_on
        assert after.readings <= before.readings + 1
        if goes_on and lasted_s == 200.0:
            assert 5 < after.readings < 0.9 * before.readings
        if not goes_on:
            assert after.readings == 1

    assert found == {30.0: True, 200.0: True, 900.0: False}


def test_a_wandering_oscillator_is_not_known_after_a_gap() -> None:
    """After the same gap a random walk of half a sigma a reading restarts, with a right u."""
    rng = np.random.default_rng(unseen_seed())
    truth = 0.5 * SIGMA * np.cumsum(rng.standard_normal(1000))
    readings = (truth + SIGMA * rng.standard_normal(1000)).tolist()
    live = LiveEstimate()
    feed(live, readings[:600])

    assert not live.gap(30.0)
    assert live.numbers.estimate is None


def test_a_drift_goes_on_over_a_gap() -> None:
    """A level that follows a drift is extrapolated over 20 s without readings."""
    drift = 0.3 * SIGMA
    offsets = [y + drift * k for k, y in enumerate(quiet(621))]
    live = LiveEstimate()
    feed(live, offsets[:600])

    assert live.gap(21.0)
    after = live.add(620.0, offsets[620], gate_s=1.0).estimate

    assert after is not None
    assert after.u is not None
    assert abs(after.offset - 620 * drift) < 3.0 * after.u
    assert after.readings > 1


def test_u_covers_after_gaps_of_any_length() -> None:
    """Flicker floor 0.3 sigma, gaps of 5 to 300 readings: 2 u covers the truth as often as ever."""
    rng = np.random.default_rng(unseen_seed())
    covered = []
    for _ in range(6):
        truth = make_flicker(0.3 * SIGMA, rng, 1500)
        live, at = LiveEstimate(), 0
        while at < 1200:
            for k in range(at, at + 100):
                after = live.add(float(k), truth[k] + SIGMA * rng.standard_normal(), gate_s=1.0)
                estimate = after.estimate
                if at and k < at + 20 and estimate is not None and estimate.u is not None:
                    covered.append(abs(estimate.offset - truth[k]) < 2.0 * estimate.u)
            at += 100 + (length := int(np.exp(rng.uniform(*np.log((5.0, 300.0))))))
            live.gap(length + 1.0)

    assert len(covered) > 300
    assert np.mean(covered) > 0.88


@pytest.mark.parametrize("floor", [0.0, 0.3])
def test_one_reading_lost_in_a_hundred_costs_little(floor: float) -> None:
    """The error is within 1.3 times that with none lost, on the same made noise."""
    rng = np.random.default_rng(unseen_seed())
    lost, none = [], []
    for _ in range(3):
        truth = make_flicker(floor * SIGMA, rng, 1200)
        noise = SIGMA * rng.standard_normal(1200)
        lost.append(with_losses(truth, noise, 0.01, rng))
        none.append(with_losses(truth, noise, 0.0, rng))

    assert rms(np.concatenate(lost)) < 1.3 * rms(np.concatenate(none))


def test_readings_by_another_time_base_are_not_compared() -> None:
    """A gap of unknown length ends any level."""
    live = LiveEstimate()
    feed(live, quiet(600))

    assert not live.gap()
    assert live.numbers.estimate is None


def test_a_lost_reading_leaves_the_snapshot_as_it_is() -> None:
    """Through the pipeline: numbers and trim stay, the gap is counted and logged."""
    pipeline = Pipeline(Plan(name="main", resource="", tolerance=5e-9))
    offsets = quiet(41, level=1e-9)
    for k, offset in enumerate(offsets[:40]):
        before = pipeline.take(reading(k, f"{1e7 * (1.0 + offset):.6f}"))

    now = pipeline.take(
        Gap(counter="main", utc_s=0.0, elapsed_s=39.0, lasted_s=2.0, reason="no reply within 2.5 s")
    )
    after = pipeline.take(reading(41, f"{1e7 * (1.0 + offsets[40]):.6f}"))

    assert now.numbers.estimate == before.numbers.estimate
    assert now.trim == before.trim
    assert now.gaps == 1
    assert after.numbers.estimate is not None
    assert after.numbers.estimate.readings == 41
    assert not math.isnan(after.numbers.estimate.offset)
