"""Live deviations equal those of the whole run, take bounded time, and never span a gap."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stability_kit import FloatArray, made_phase

from benchwatch.estimate.stability import (
    NOISES,
    LiveDeviations,
    phase_of_offsets,
    stability_table,
    variance,
)
from benchwatch.estimate.stability.live_deviations import LARGEST_FULL_FACTOR


def run(y: FloatArray) -> LiveDeviations:
    """Feed a series at an interval of 1 s."""
    live = LiveDeviations(1.0)
    for value in y.tolist():
        live.add(value)
    return live


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
@pytest.mark.parametrize("shift", [0.0, 1e-3])
def test_live_equals_batch(alpha: int, shift: float) -> None:
    """To 1e-12 and term for term, at every averaging time up to 256, also with a large offset."""
    y = np.diff(made_phase(alpha, 3002, np.random.default_rng(alpha + 40))) * 1e-9 + shift
    phase = phase_of_offsets(y)

    table = run(y).table()

    full = [row for row in table if row.tau_s <= LARGEST_FULL_FACTOR]
    assert len(full) == 27
    for row in full:
        square, runs = variance(row.deviation, phase, round(row.tau_s))
        assert row.n == runs.sum(), row
        assert row.value == pytest.approx(math.sqrt(square), rel=1e-12), row


def test_long_times_take_every_second_fourth_eighth_term() -> None:
    """Past 256 readings live equals the batch at a stride of m/256.

    (A newest term of mdev that ends on the last reading comes one reading late; not here.)
    """
    y = np.random.default_rng(4).normal(size=20_000) * 1e-11
    phase = phase_of_offsets(y)

    table = run(y).table()

    long = [row for row in table if row.tau_s > LARGEST_FULL_FACTOR]
    assert {row.tau_s for row in long if row.deviation == "oadev"} == {512, 1024, 2048, 4096, 8192}
    for row in long:
        m = round(row.tau_s)
        square, runs = variance(row.deviation, phase, m, stride=m // LARGEST_FULL_FACTOR)
        assert row.n == runs.sum(), row
        assert row.value == pytest.approx(math.sqrt(square), rel=1e-12), row


@given(
    pieces=st.lists(st.lists(st.floats(-1.0, 1.0), min_size=0, max_size=40), min_size=1, max_size=5)
)
def test_gaps_are_skipped_as_in_batch(pieces: list[list[float]]) -> None:
    """A gap, or a reading that is no number, restarts the differences; sums continue."""
    live = LiveDeviations(1.0)
    joined: list[float] = []
    for k, piece in enumerate(pieces):
        for value in piece:
            live.add(value)
        joined += [*piece, math.nan]
        if k % 2:
            live.gap()
        else:
            live.add(math.nan)
    phase = phase_of_offsets(np.array(joined))

    table = live.table()

    counts = {
        (row.deviation, round(row.tau_s)): row.n
        for row in stability_table(phase, 1.0, ["oadev", "mdev", "ohdev"], [1, 2, 4, 8, 16])
    }
    assert {(row.deviation, round(row.tau_s)): row.n for row in table} == counts
    for row in table:
        square, _ = variance(row.deviation, phase, round(row.tau_s))
        assert row.value == pytest.approx(math.sqrt(square), rel=1e-9, abs=1e-14)


def test_limits_and_noise_are_those_of_the_batch() -> None:
    """For a run without gaps the live table equals the batch table."""
    y = np.random.default_rng(12).normal(size=2000) * 1e-11
    live = {(row.deviation, row.tau_s): row for row in run(y).table()}

    batch = stability_table(phase_of_offsets(y), 1.0, ["oadev", "mdev", "ohdev"], [2, 8, 32, 128])

    for row in batch:
        mine = live[row.deviation, row.tau_s]
        assert mine.noise == row.noise
        assert (mine.edf, mine.low, mine.high) == pytest.approx((row.edf, row.low, row.high))


def test_live_noise_at_the_shortest_time_is_that_of_the_next() -> None:
    """At m = 1 the ratio identifies nothing; long white FM is still identified."""
    y = np.random.default_rng(13).normal(size=20_000)

    (first, *_) = run(y).table()

    assert first.noise == NOISES[0]


@pytest.mark.parametrize("y", [[], [1e-9], [math.nan] * 5, [math.inf, 1e9, -1e300]])
def test_nothing_to_difference_gives_no_rows(y: list[float]) -> None:
    """Too few, missing, infinite or absurd readings give no row."""
    table = run(np.array(y)).table()

    assert table == ()


def test_a_constant_gives_zero_without_limits() -> None:
    """A counter that repeats itself is not noiseless: there are no limits."""
    table = run(np.full(40, 1e-3)).table()

    assert {row.value for row in table} == {0.0}
    assert {row.high for row in table} == {None}


def test_averaging_times_are_in_seconds() -> None:
    """An interval of 0.1 s scales the averaging times and nothing else."""
    y = np.random.default_rng(14).normal(size=100).tolist()
    fast, slow = LiveDeviations(0.1), LiveDeviations(1.0)

    for value in y:
        fast.add(value)
        slow.add(value)

    pairs = list(zip(fast.table(), slow.table(), strict=True))
    assert [a.tau_s for a, _ in pairs] == [pytest.approx(0.1 * b.tau_s) for _, b in pairs]
    assert [a.value for a, _ in pairs] == [b.value for _, b in pairs]
