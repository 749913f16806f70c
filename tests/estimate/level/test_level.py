"""The live level: steps, lone wild readings, nudges, and plausible numbers for any input."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from level_quality import judge, live_level, meets
from made_sessions import FAMILIES, make_flicker, make_session, make_warm_up
from seed_kit import unseen_seed

from benchwatch.estimate.level.level_estimator import LevelEstimator, LevelNow

pytestmark = pytest.mark.long

SIGMA = 1e-11


def feed(
    level: LevelEstimator,
    offsets: list[float],
    *,
    start_s: float = 0.0,
    gate_s: float | None = 1.0,
    resolution: float = 0.0,
) -> list[LevelNow]:
    """Run the level over readings, one a second."""
    return [
        level.add(start_s + k, offset, gate_s=gate_s, resolution=resolution)
        for k, offset in enumerate(offsets)
    ]


def quiet(readings: int, seed: int = 5, level: float = 0.0) -> list[float]:
    """Return white noise of `SIGMA` about a level."""
    return [float(y) for y in level + SIGMA * np.random.default_rng(seed).standard_normal(readings)]


@pytest.mark.parametrize("family", FAMILIES)
def test_meets_the_targets_on_a_fresh_seed(family: str) -> None:
    """A smaller version of the benchmark, with a tenth more room for its larger scatter."""
    quality = judge(live_level, family, unseen_seed(), sessions=25)

    roomier = type(quality)(
        quality.rms / 1.1, quality.median / 1.1, quality.p95 / 1.1, quality.coverage
    )
    assert meets(family, roomier), quality


def test_u_fits_the_first_readings_after_a_step_and_a_level_that_stands() -> None:
    """2u covers nine of ten first readings, and 95 to 99 % from 30 quiet ones on.

    Steps of 1 to 500 σ, many of them too small to be seen at once.
    """
    rng = np.random.default_rng(unseen_seed())
    first, standing = [], []
    for _ in range(60):
        session = make_session("white", rng)
        estimates, u = live_level(session)
        inside = np.abs(estimates - session.truth) <= 2.0 * u
        known = np.arange(u.size) >= 12
        first += inside[known & (session.since_step == 1)].tolist()
        stands = known & (session.since_step >= 30)
        standing += inside[stands].tolist()

    # 700 first readings: standard deviation 0.011.
    assert np.mean(first) >= 0.87
    assert 0.94 <= np.mean(standing) <= 0.997


def test_a_turn_right_after_the_first_flip_of_a_digit_is_not_averaged() -> None:
    """A quiet counter of unknown resolution flips once and is turned: the level follows at once."""
    digit = 1e-9
    level = LevelEstimator()

    found = feed(level, [0.0] * 8 + [digit, 50 * digit, 51 * digit])

    assert found[-2].estimate.offset == pytest.approx(50 * digit, abs=digit)


def test_a_lone_wild_reading_of_a_quiet_counter_does_not_stay_in() -> None:
    """After one wild reading the level of equal readings is as before."""
    level = LevelEstimator()

    found = feed(level, [0.0] * 8 + [1e-7] + [0.0] * 3)

    assert found[8].suspect
    assert [now.estimate.offset for now in found[9:]] == [0.0, 0.0, 0.0]
    assert found[9].estimate.readings == 9


def test_follows_a_clear_step_on_its_first_reading() -> None:
    """The estimate jumps at once, stands for one reading, and u is that of one reading."""
    level = LevelEstimator()
    feed(level, quiet(30))

    now = level.add(30.0, 100 * SIGMA, gate_s=1.0, resolution=0.0)

    assert now.estimate.offset == pytest.approx(100 * SIGMA, abs=0.1 * SIGMA)
    assert now.estimate.readings == 1
    assert now.estimate.u == pytest.approx(SIGMA, rel=0.4)
    assert now.suspect
    assert now.confirmed_nudge is None


def test_confirms_a_nudge_on_the_second_reading_with_its_size() -> None:
    """Two readings that agree make a step; its size is within u, its time is that of the first."""
    level = LevelEstimator()
    feed(level, quiet(30))

    first, second, *_ = feed(level, quiet(10, seed=6, level=100 * SIGMA), start_s=30.0)

    assert first.confirmed_nudge is None
    nudge = second.confirmed_nudge
    assert nudge is not None
    assert nudge.at_s == 30.0
    assert nudge.u is not None
    assert abs(nudge.size - 100 * SIGMA) < 3 * nudge.u
    assert nudge.u < 2 * SIGMA


def test_size_of_nudges_is_covered_by_its_u() -> None:
    """Over many made steps, 2 u of the nudge covers the true size about 95 times of 100."""
    rng = np.random.default_rng(unseen_seed())
    covered = total = 0
    for _ in range(25):
        session = make_session("white", rng)
        for now in feed(LevelEstimator(), session.readings.tolist()):
            nudge = now.confirmed_nudge
            if nudge is None or nudge.u is None:
                continue
            at = int(nudge.at_s)
            if session.since_step[at] == 1:
                total += 1
                true_size = session.truth[at] - session.truth[at - 1]
                covered += abs(nudge.size - true_size) <= 2 * nudge.u

    assert total > 100
    assert covered / total > 0.85


def test_lone_wild_reading_does_not_stay_in() -> None:
    """With the next reading the old level and its count are restored, and no nudge is confirmed."""
    level = LevelEstimator()
    last = feed(level, quiet(40))[-1]

    wild = level.add(40.0, 100 * SIGMA, gate_s=1.0, resolution=0.0)
    after = level.add(41.0, 0.0, gate_s=1.0, resolution=0.0)

    assert wild.suspect
    assert after.spike_at_s == 40.0
    assert after.estimate.readings == last.estimate.readings + 1
    assert abs(after.estimate.offset - last.estimate.offset) < SIGMA
    assert after.confirmed_nudge is None


def test_wild_readings_are_found_and_others_are_not() -> None:
    """Nine in ten made wild readings are flagged afterwards, and hardly any good one."""
    rng = np.random.default_rng(unseen_seed())
    found = wild = wrongly = 0
    for _ in range(25):
        session = make_session("wild", rng)
        spikes = {
            int(now.spike_at_s)
            for now in feed(LevelEstimator(), session.readings.tolist())
            if now.spike_at_s is not None
        }
        # A wild reading next to a step, another wild one or the beginning is not seen as lone.
        lone = session.wild & (session.since_step > 4)
        lone[:-1] &= (session.since_step[1:] > 1) & ~session.wild[1:]
        lone[1:] &= ~session.wild[:-1]
        lone[-1] = False
        wild += int(lone.sum())
        found += sum(bool(lone[k]) for k in spikes)
        wrongly += sum(not session.wild[k] for k in spikes)

    assert found > 0.9 * wild
    assert wrongly <= 5


def test_u_is_unknown_until_three_differences_have_come() -> None:
    """A spread from fewer has no standard deviation (Student t of up to 2 degrees of freedom)."""
    numbers = feed(LevelEstimator(), quiet(6))

    assert [now.estimate.u is None for now in numbers] == [True] * 4 + [False] * 2


@pytest.mark.parametrize("readings", [6, 50, 600])
def test_equal_readings_are_known_to_half_a_digit_only(readings: int) -> None:
    """All equal, they share one rounding error: u stays resolution/√12 (GUM, F.2.2.1) and more."""
    resolution = 1e-12

    now = feed(LevelEstimator(), [3e-9] * readings, resolution=resolution)[-1]

    floor = resolution / math.sqrt(12)
    assert now.estimate.offset == 3e-9
    assert now.estimate.readings == readings
    assert now.noise == pytest.approx(floor)
    assert now.estimate.u is not None
    assert floor <= now.estimate.u <= 1.6 * floor


def test_equal_readings_of_unknown_resolution_have_no_u() -> None:
    """Their rounding error is unknown."""
    now = feed(LevelEstimator(), [3e-9] * 50)[-1]

    assert now.estimate.readings == 50
    assert now.noise is None
    assert now.estimate.u is None


@pytest.mark.parametrize("told", [True, False])
@pytest.mark.parametrize("digit", [1.0, 2.0, 3.0, 5.0, 10.0])
def test_a_coarse_last_digit_is_in_u(digit: float, told: bool) -> None:
    """2 u covers the truth in 95 % of readings, at a last digit of 1 to 10 σ.

    Counted from 12 readings after a step on. While the digit is unknown and no reading has shown
    it, u must be unknown; that is no miss.
    """
    rng = np.random.default_rng(unseen_seed())
    quantum = digit * SIGMA
    covered: list[bool] = []
    for _ in range(20):
        session = make_session("white", rng)
        truth = session.truth / session.sigma * SIGMA
        noisy = truth + SIGMA * rng.standard_normal(truth.size)
        readings = (quantum * np.round(noisy / quantum)).tolist()
        numbers = feed(LevelEstimator(), readings, resolution=quantum if told else 0.0)
        covered += [
            abs(now.estimate.offset - true) <= 2 * now.estimate.u
            for now, true, since in zip(numbers, truth, session.since_step, strict=True)
            if since >= 12 and now.estimate.u is not None
        ]

    assert len(covered) > 1000
    assert np.mean(covered) >= 0.95


@pytest.mark.parametrize("digit", [0.0, 1e-12])
def test_a_perfect_ramp_has_no_noise(digit: float) -> None:
    """Its second differences are rounding of floats: no u of 1e-25, no nudge."""
    ramp = [1e-9 + k * 1e-10 for k in range(60)]

    numbers = feed(LevelEstimator(), ramp, resolution=digit)

    assert all(now.confirmed_nudge is None for now in numbers)
    assert all(now.estimate.u is None or now.estimate.u > 1e-13 for now in numbers)
    assert numbers[-1].noise == (pytest.approx(digit / math.sqrt(12)) if digit else None)


def test_rounding_of_floats_is_no_new_level() -> None:
    """Offsets from phases repeat to a few units in the last place only."""
    readings = [1e-9 * (1.0 + (k % 3) * 2.0**-52) for k in range(60)]

    assert feed(LevelEstimator(), readings)[-1].estimate.readings == 60


@pytest.mark.parametrize("digit", [3e-10, 1e-9, 1e-8])
@pytest.mark.parametrize("kind", ["tail", "overshoot"])
def test_flips_of_the_last_digit_in_a_warm_up_are_no_nudges(digit: float, kind: str) -> None:
    """A slow change read by a coarse counter is a staircase.

    At the finest digit noise may exceed it: there one nudge is allowed, as without rounding.
    """
    rng = np.random.default_rng(unseen_seed())
    nudges = 0
    for _ in range(4):
        truth, sigma = make_warm_up(kind, rng, 1200)
        noisy = truth + sigma * rng.standard_normal(truth.size)
        numbers = feed(
            LevelEstimator(), (digit * np.round(noisy / digit)).tolist(), resolution=digit
        )
        nudges += sum(now.confirmed_nudge is not None for now in numbers)

    assert nudges <= (1 if digit < 1e-9 else 0)


def test_quantum_is_found_in_readings_that_repeat() -> None:
    """A counter that seldom flips its last digit still has a noise of quantum/√12 at least."""
    quantum = 1e-10
    readings = [quantum * (k % 25 == 24) for k in range(200)]

    now = feed(LevelEstimator(), readings)[-1]

    assert now.noise is not None
    assert now.noise >= quantum / math.sqrt(12)


def test_gap_is_never_bridged() -> None:
    """After a gap the estimate is that of the new reading only, without a nudge."""
    level = LevelEstimator()
    feed(level, quiet(50))

    level.gap()
    after = feed(level, quiet(5, seed=8, level=1e-9), start_s=500.0)

    assert after[0].estimate.readings == 1
    assert after[0].estimate.offset == pytest.approx(1e-9, abs=5 * SIGMA)
    assert all(now.confirmed_nudge is None for now in after)


def test_gate_change_starts_afresh() -> None:
    """Noise at one gate does not apply at another: the noise is learned again."""
    level = LevelEstimator()
    feed(level, quiet(50))

    now = level.add(60.0, 0.0, gate_s=10.0, resolution=0.0)

    assert now.estimate.readings == 1
    assert now.noise is None


@pytest.mark.timeout(60)
@pytest.mark.parametrize("floor", [0.0, 0.3, 1.0])
def test_quiet_oscillator_is_not_nudged(floor: float) -> None:
    """Two hours of flicker FM and white noise: less than one false nudge in 2500 readings."""
    rng = np.random.default_rng(unseen_seed())
    truth = make_flicker(floor, rng, 7500)
    numbers = feed(LevelEstimator(), (truth + rng.standard_normal(7500)).tolist())

    nudges = sum(now.confirmed_nudge is not None for now in numbers)
    error = np.array([now.estimate.offset for now in numbers[12:]]) - truth[12:]
    u = np.array([now.estimate.u for now in numbers[12:]], dtype=np.float64)
    assert nudges <= 3
    assert np.mean(np.abs(error) <= 2 * u) >= 0.9


def test_made_flicker_has_its_floor() -> None:
    """The generator obeys σy² = 2 ln 2 · h at every τ (NIST SP 1065, noise laws)."""
    series = make_flicker(1.0, np.random.default_rng(11), 1 << 17)

    for width in (4, 16, 64):
        means = series[: series.size // width * width].reshape(-1, width).mean(axis=1)
        deviation = math.sqrt(np.mean(np.diff(means) ** 2) / 2)
        assert deviation == pytest.approx(1.0, rel=0.08)


@pytest.mark.parametrize("kind", ["tail", "overshoot"])
def test_warm_up_is_no_series_of_nudges(kind: str) -> None:
    """From the first reading on, a warm-up is followed closely and hardly ever gives a nudge."""
    rng = np.random.default_rng(unseen_seed())
    nudges = 0
    inside: list[bool] = []
    for _ in range(5):
        truth, sigma = make_warm_up(kind, rng, 900)
        numbers = feed(LevelEstimator(), (truth + sigma * rng.standard_normal(900)).tolist())
        nudges += sum(now.confirmed_nudge is not None for now in numbers)
        inside += [
            now.estimate.u is not None and abs(now.estimate.offset - true) <= 3 * now.estimate.u
            for now, true in zip(numbers[12:], truth[12:], strict=True)
        ]

    assert nudges <= 1
    assert np.mean(inside) > 0.9


def test_nudge_is_seen_during_a_warm_up() -> None:
    """A turn of the trimmer is confirmed in spite of a warm-up's motion."""
    rng = np.random.default_rng(3)
    truth = 1e-7 * np.exp(-np.arange(400) / 200.0)
    truth[250:] += 2e-9
    numbers = feed(LevelEstimator(), (truth + SIGMA * rng.standard_normal(400)).tolist())

    nudges = [now.confirmed_nudge for now in numbers if now.confirmed_nudge is not None]
    assert [nudge.at_s for nudge in nudges] == [250.0]
    assert nudges[0].size == pytest.approx(2e-9, rel=0.1)


@pytest.mark.parametrize(
    ("shift", "scale", "start_s"),
    [(1e-3, 1.0, 0.0), (-1e-3, 1.0, 1.9e9), (0.0, 1024.0, 0.0), (0.0, -1.0, 0.0)],
)
def test_shift_scale_sign_and_epoch_change_nothing_else(
    shift: float, scale: float, start_s: float
) -> None:
    """The estimate shifts with the readings; times may be Unix seconds, offsets up to 1e-3."""
    session = make_session("white", np.random.default_rng(17))
    readings = session.readings / session.sigma * SIGMA
    plain = feed(LevelEstimator(), readings.tolist())

    moved = feed(LevelEstimator(), (readings * scale + shift).tolist(), start_s=start_s)

    for before, after in zip(plain, moved, strict=True):
        assert after.estimate.readings == before.estimate.readings
        expected = before.estimate.offset * scale + shift
        assert after.estimate.offset == pytest.approx(expected, abs=1e-4 * SIGMA * abs(scale))
        assert (after.confirmed_nudge is None) == (before.confirmed_nudge is None)
        if before.estimate.u is not None:
            assert after.estimate.u == pytest.approx(before.estimate.u * abs(scale), rel=1e-4)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.floats(-1e-3, 1e-3),
            st.sampled_from([0.0, 1e-9, -1e-9, 1e-300, 1e-3]),
        ),
        min_size=1,
        max_size=80,
    ),
    st.sampled_from([0.0, 1e-12]),
)
def test_any_readings_give_sane_numbers(offsets: list[float], resolution: float) -> None:
    """For any input the estimate is finite, within the readings, and u is None or positive."""
    numbers = feed(LevelEstimator(), offsets, resolution=resolution)

    low, high = min(offsets), max(offsets)
    room = (high - low) + 1e-15
    for count, now in enumerate(numbers, start=1):
        assert low - room <= now.estimate.offset <= high + room
        assert 1 <= now.estimate.readings <= count
        assert now.estimate.u is None or (math.isfinite(now.estimate.u) and now.estimate.u > 0)
        assert now.estimate.span_s >= 0
