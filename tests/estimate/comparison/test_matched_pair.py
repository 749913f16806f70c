"""Readings of two counters on one signal: other gates, rates and moments, gaps, jumps, rounding."""

import math
from dataclasses import replace

import numpy as np
import pytest
from seed_kit import unseen_seed

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.comparison.counter_comparison import difference_of, rounding_u
from benchwatch.estimate.comparison.matched_pair import (
    CounterReadings,
    dating_of,
    match_pair,
    match_within,
    still,
)


def counter(
    name: str,
    offset: FloatArray,
    *,
    spacing_s: float = 1.0,
    begin_s: float = 0.0,
    gate_s: float | None = 1.0,
    resolution: float = 0.0,
) -> CounterReadings:
    """Return evenly spaced readings of one counter."""
    return CounterReadings(
        name=name,
        time_s=begin_s + spacing_s * np.arange(float(offset.size)),
        offset=offset,
        own=np.zeros(offset.size),
        gate_s=gate_s,
        spacing_s=spacing_s,
        resolution=resolution,
    )


@pytest.mark.parametrize("late_s", [0.0, 0.1, 0.37, 0.5])
def test_an_even_drift_drops_out(late_s: float) -> None:
    """Whatever the time between the readings, a drift of 1 ppb a second leaves no difference."""
    times = np.arange(100.0)
    main = counter("main", 1e-9 * times)
    spare = counter("spare", 1e-9 * (times + late_s), begin_s=late_s)

    pair = match_pair(main, spare)

    assert np.nanmax(np.abs(pair.apart)) < 1e-18 + 1e-12 * 1e-9
    assert np.count_nonzero(np.isfinite(pair.apart)) >= 99


@pytest.mark.parametrize("spacing_s", [0.05, 0.1, 0.25])
def test_a_fast_counter_is_averaged_over_the_gate_of_a_slow_one(spacing_s: float) -> None:
    """Readings of 50 to 250 ms against a gate of 1 s: drift drops out, and noise is averaged."""
    random = np.random.default_rng(unseen_seed())
    slow_s, fast_s = np.arange(300.0), spacing_s * np.arange(300 / spacing_s) - 0.4
    slow = counter("slow", 1e-9 * slow_s)
    noise = random.normal(0, 1e-10, fast_s.size)
    fast = counter(
        "fast", 1e-9 * fast_s + noise, spacing_s=spacing_s, begin_s=-0.4, gate_s=spacing_s
    )

    for pair in (match_pair(slow, fast), match_pair(fast, slow)):
        apart = pair.apart[np.isfinite(pair.apart)]
        assert apart.size > 290
        assert np.std(apart) == pytest.approx(1e-10 * np.sqrt(spacing_s), rel=0.2)
        assert pair.interval_s == pytest.approx(1.0)


def test_missing_readings_match_nothing() -> None:
    """Where one counter read nothing there is no difference, and none is made up."""
    offset = np.zeros(60)
    offset[20:40] = np.nan
    pair = match_pair(counter("main", np.zeros(60)), counter("spare", offset, begin_s=0.2))

    assert np.count_nonzero(np.isfinite(pair.apart)) == pytest.approx(40, abs=1)
    assert np.count_nonzero(np.isnan(pair.time_s)) == 1


def test_a_late_counter_is_matched_from_its_first_reading() -> None:
    """One that comes after 50 s has 50 readings in common."""
    pair = match_pair(counter("main", np.zeros(100)), counter("late", np.zeros(50), begin_s=50.0))

    assert np.count_nonzero(np.isfinite(pair.apart)) == 50


def test_no_reading_in_common() -> None:
    """Counters that were read one after the other have nothing to compare."""
    pair = match_pair(counter("main", np.zeros(9)), counter("later", np.zeros(9), begin_s=99.0))

    assert not np.isfinite(pair.apart).any()
    assert difference_of(pair) is None


def test_a_turn_between_two_readings_is_no_difference() -> None:
    """Turns of 20 ppb, read half a second apart, leave a difference of 0.1 ppb as it is."""
    random = np.random.default_rng(unseen_seed())
    times = np.arange(600.0)

    def signal(at_s: FloatArray) -> FloatArray:
        return 20e-9 * np.floor(at_s / 60.25)

    main = counter("main", signal(times) + random.normal(0, 2e-11, 600))
    spare = counter(
        "spare", signal(times + 0.5) - 1e-10 + random.normal(0, 2e-11, 600), begin_s=0.5
    )
    found = difference_of(match_pair(main, spare))

    assert found is not None
    assert found.u is not None
    assert found.mean == pytest.approx(1e-10, abs=4 * found.u)
    assert found.u < 1e-11


def test_the_error_of_dating_counts_while_the_signal_moves() -> None:
    """A drift of 1 ppb a second times 50 ms, over √3, is a part of u: 0.029 ppb."""
    moving, resting = (
        difference_of(match_pair(counter("main", y), counter("spare", y)))
        for y in (1e-9 * np.arange(100.0), np.zeros(100))
    )

    assert moving is not None
    assert resting is not None
    assert moving.u == pytest.approx(1e-9 * 0.05 / np.sqrt(3), rel=1e-3)
    assert moving.limited_by == "motion"
    assert resting.u == 0.0


def test_dating_of_unequal_gates() -> None:
    """Unequal gates count by a twentieth of the difference, an untold one by half a spacing."""
    one, ten, untold = (counter("c", np.zeros(9), gate_s=gate_s) for gate_s in (1.0, 10.0, None))

    assert dating_of(one, one) == 0.05
    assert dating_of(one, ten) == pytest.approx(0.05 + 0.45)
    assert dating_of(one, untold) == pytest.approx(0.05 + 0.5)


def test_a_quiet_counter_keeps_its_rounding_error() -> None:
    """Equal readings all have one rounding error, step/√12; noise of a step spreads it away."""
    random = np.random.default_rng(unseen_seed())

    assert rounding_u(np.full(500, 3e-9), 1e-9) == pytest.approx(1e-9 / np.sqrt(12))
    noisy = np.round(random.normal(0, 1.0, 500))
    assert rounding_u(noisy, 1.0) < 1e-3
    assert rounding_u(noisy, 0.0) == 0.0


@pytest.mark.parametrize("sigma", [0.0, 0.1, 0.2, 0.3, 0.5])
def test_rounding_error_of_a_mean_is_held(sigma: float) -> None:
    """The mean of 400 rounded readings of a made level lies within 2u of it in 90 % and more."""
    random = np.random.default_rng(unseen_seed())
    held = 0
    for _ in range(200):
        true = random.uniform(0, 1)
        read = np.round(true + random.normal(0, sigma, 400))
        u = np.hypot(rounding_u(read, 1.0), np.std(read) / 20)
        held += abs(read.mean() - true) <= 2 * u

    assert held / 200 >= 0.9


def test_no_jump_in_plain_noise() -> None:
    """Noise alone hides no more than one moment in a thousand."""
    random = np.random.default_rng(unseen_seed())
    main, spare = (random.normal(0, 1e-10, 5000) for _ in range(2))
    pair = match_pair(counter("main", main), counter("spare", spare, begin_s=0.3))

    assert np.count_nonzero(~still(pair)) < 5


def test_nearest_readings_within_a_window() -> None:
    """With a window that was typed, each reading is matched with the nearest one within it."""
    main = counter("main", np.arange(5.0))
    spare = counter("spare", np.arange(5.0), begin_s=0.4)

    assert np.count_nonzero(np.isfinite(match_within(main, spare, 0.5).apart)) == 5
    assert match_within(main, spare, 0.1).apart.size == 0


def test_missing_sets_leave_a_nan() -> None:
    """If one counter has no reading there is a nan, so that no difference bridges it."""
    read = 10.0 * np.arange(10.0)
    main = counter("main", read)
    late = counter("spare", read + 1.0, begin_s=0.1)
    kept = np.delete(np.arange(10), [4, 5])
    spare = replace(late, time_s=late.time_s[kept], offset=late.offset[kept], own=late.own[kept])

    matched = match_within(main, spare, 0.3)

    assert matched.interval_s == 1.0
    assert np.isnan(matched.first_offset).tolist() == [False] * 4 + [True] + [False] * 4
    assert np.nansum(np.abs(matched.apart + 1.0)) == pytest.approx(0.0)


def test_one_set_has_no_interval() -> None:
    """A single matched set is returned with an interval of nan."""
    main = counter("main", np.array([1.0]), begin_s=1.0)
    spare = counter("spare", np.array([1.1]), begin_s=1.1)

    matched = match_within(main, spare, 0.5)

    assert matched.second_offset.tolist() == [1.1]
    assert math.isnan(matched.interval_s)
