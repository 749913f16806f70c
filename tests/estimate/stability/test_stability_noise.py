"""The Allan family on made noise: its laws, its limits, the noise identified, dead time."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stability_kit import FloatArray, made_phase

from benchwatch.estimate.stability import (
    NAMES,
    NOISES,
    Terms,
    degrees_of_freedom,
    octave_factors,
    phase_of_offsets,
    phase_of_phase,
    stability_table,
    variance,
    variance_ratio,
)

LN2 = math.log(2)


def mean_variance(name: str, alpha: int, m: int, runs: int = 600) -> float:
    """Return a variance averaged over made runs of 513 phases."""
    rng = np.random.default_rng(20310504)
    squares = [
        variance(name, phase_of_phase(made_phase(alpha, 513, rng), 1.0), m)[0] for _ in range(runs)
    ]
    return float(np.mean(squares))


@pytest.mark.parametrize(
    ("alpha", "m", "expected"),
    [
        (2, 4, 3 / 4**2),
        (0, 1, 1.0),
        (0, 16, 1 / 16),
        (-1, 32, 2 * LN2 / math.pi),
        (-2, 32, 32 / 3),
    ],
)
def test_noise_laws_of_the_allan_variance(alpha: int, m: int, expected: float) -> None:
    """IEEE 1139: √3 σx/τ; h0/2τ; 2 ln2 h₋₁; (2π²/3) h₋₂ τ, here for unit innovations."""
    found = mean_variance("oadev", alpha, m)

    assert found == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize("name", ["adev", "oadev", "mdev", "totdev"])
def test_a_pure_drift_is_the_drift_times_tau_over_root_two(name: str) -> None:
    """NIST SP 1065, IEEE 1139-2008 (from memory): |D| τ/√2, the same for any second difference."""
    phase = phase_of_offsets(1e-3 - 2e-12 * np.arange(1000.0))

    square, _ = variance(name, phase, 20)

    if name == "totdev":  # the reflection bends a drift
        assert 0 < math.sqrt(square) <= 2e-12 * 20 / math.sqrt(2) * (1 + 1e-9)
    else:
        assert math.sqrt(square) == pytest.approx(2e-12 * 20 / math.sqrt(2), rel=1e-6)


@pytest.mark.parametrize("name", ["hdev", "ohdev"])
def test_the_hadamard_kind_does_not_see_a_drift(name: str) -> None:
    """NIST SP 1065 (from memory): no effect of a drift, here 2e-12 a second; rounding is left."""
    phase = phase_of_offsets(-2e-12 * np.arange(1000.0))

    square, _ = variance(name, phase, 20)

    assert math.sqrt(square) < 1e-9 * 2e-12 * 20


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
@pytest.mark.parametrize("name", ["oadev", "mdev", "ohdev"])
def test_degrees_of_freedom_are_what_made_runs_scatter(name: str, alpha: int) -> None:
    """2 mean²/variance over 3000 made runs is the computed edf, flicker included."""
    rng = np.random.default_rng([alpha + 9, len(name)])
    m, points = 8, 129
    runs = [phase_of_phase(made_phase(alpha, points, rng), 1.0) for _ in range(3000)]

    squares = np.array([variance(name, phase, m)[0] for phase in runs])

    scatter = 2 * squares.mean() ** 2 / squares.var(ddof=1)
    _, lengths = variance(name, runs[0], m)
    assert scatter == pytest.approx(degrees_of_freedom(Terms(name, m, lengths), alpha), rel=0.12)


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
def test_noise_is_named_at_each_averaging_time(alpha: int) -> None:
    """Of 20 made runs of 4097 phases nearly all are identified right at m = 1, 8, 64."""
    rng = np.random.default_rng(alpha + 70)
    named = {1: 0, 8: 0, 64: 0}

    for _ in range(20):
        phase = phase_of_phase(made_phase(alpha, 4097, rng), 1.0)
        for row in stability_table(phase, 1.0, ["oadev"], list(named)):
            named[round(row.tau_s)] += row.noise == NOISES[alpha]

    assert named[1] >= 18
    assert named[8] >= 18
    assert named[64] >= 12  # 64 averaging times: the ratio itself scatters by a few per cent


@pytest.mark.parametrize("alpha", [0, -1, -2])
@pytest.mark.parametrize("ratio", [2, 5])
def test_dead_time_is_corrected_to_the_deviation_without_it(alpha: int, ratio: int) -> None:
    """Readings of every r-th gate only, corrected, agree with all gates, at m = 1 and 4."""
    rng = np.random.default_rng([ratio, alpha + 4])
    fine, dead, whole = 8, {1: 0.0, 4: 0.0}, {1: 0.0, 4: 0.0}

    for _ in range(60):
        x = made_phase(alpha, 1024 * fine * ratio + 1, rng)[::fine]
        y = np.diff(x) / fine
        for m in dead:
            dead[m] += variance("oadev", phase_of_offsets(y[::ratio]), m)[0]
            whole[m] += variance("oadev", phase_of_offsets(y), m)[0]

    for m, square in dead.items():
        corrected = square / variance_ratio(alpha, m, float(ratio))
        assert corrected == pytest.approx(whole[m], rel=0.08), m


def test_white_phase_noise_with_dead_time_loses_its_cancelling() -> None:
    """White PM: separate gates have four instants instead of three: B2 = 2/3, and m times more."""
    rng = np.random.default_rng(3)
    y = np.diff(rng.normal(size=200_001))

    for m in (1, 4):
        dead, _ = variance("oadev", phase_of_offsets(y[::2]), m)
        whole, _ = variance("oadev", phase_of_offsets(y), m)
        assert dead / variance_ratio(2, m, 2.0) == pytest.approx(whole, rel=0.03), m


SERIES = st.lists(st.floats(-1e-6, 1e-6), min_size=8, max_size=60).map(np.array)


@given(y=SERIES, shift=st.floats(-1e-3, 1e-3), name=st.sampled_from(NAMES))
def test_a_shift_changes_nothing(y: FloatArray, shift: float, name: str) -> None:
    """A constant offset is no instability; only the rounding of y itself changes."""
    plain = variance(name, phase_of_offsets(y), 2)[0]

    shifted = variance(name, phase_of_offsets(y + shift), 2)[0]

    assert math.sqrt(shifted) == pytest.approx(math.sqrt(plain), rel=1e-9, abs=4e-19)


@given(y=SERIES, scale=st.sampled_from([-1.0, -3.0, 1e-6, 7.5, 1e6]), name=st.sampled_from(NAMES))
def test_scale_and_sign_go_straight_through(y: FloatArray, scale: float, name: str) -> None:
    """Twice the offsets is twice the deviation; the sign does not matter."""
    plain = math.sqrt(variance(name, phase_of_offsets(y), 2)[0])

    scaled = math.sqrt(variance(name, phase_of_offsets(scale * y), 2)[0])

    floor = abs(scale) * 1e-16 * float(np.abs(y).max())
    assert scaled == pytest.approx(abs(scale) * plain, rel=1e-9, abs=8 * floor)


@given(y=SERIES, name=st.sampled_from(NAMES))
def test_time_may_run_backwards(y: FloatArray, name: str) -> None:
    """Every overlapping kind is the same for the reversed series."""
    if name in {"adev", "hdev"}:
        name = "oadev" if name == "adev" else "ohdev"
    forth = math.sqrt(variance(name, phase_of_offsets(y), 2)[0])

    back = math.sqrt(variance(name, phase_of_offsets(y[::-1]), 2)[0])

    assert back == pytest.approx(forth, rel=1e-9, abs=1e-15 * float(np.abs(y).max()))


def test_offset_and_phase_input_agree() -> None:
    """The phase of a series and the series itself have the same deviations."""
    y = np.random.default_rng(8).normal(size=500) * 1e-11
    x_s = np.concatenate(([0.0], np.cumsum(y))) * 0.1

    by_offset = stability_table(phase_of_offsets(y), 0.1, NAMES, octave_factors(501))
    by_phase = stability_table(phase_of_phase(x_s + 5.0, 0.1), 0.1, NAMES, octave_factors(501))

    np.testing.assert_allclose(
        [row.value for row in by_phase], [row.value for row in by_offset], rtol=1e-3
    )
    np.testing.assert_allclose(
        [row.value for row in stability_table(phase_of_phase(x_s, 0.1), 0.1, NAMES, [1, 2, 64])],
        [row.value for row in stability_table(phase_of_offsets(y), 0.1, NAMES, [1, 2, 64])],
        rtol=1e-11,
    )


def test_a_large_offset_costs_nothing() -> None:
    """1e-3 off and noise of 1e-12: only the rounding of the readings themselves is left.

    Summing y instead of y less its mean would be wrong by 1.7e-4.
    """
    y = np.random.default_rng(1).normal(size=20_000) * 1e-12
    shifted = y + 1e-3
    kept = shifted - 1e-3

    for name in NAMES:
        plain, _ = variance(name, phase_of_offsets(kept), 64)
        found, _ = variance(name, phase_of_offsets(shifted), 64)
        assert math.sqrt(found) == pytest.approx(math.sqrt(plain), rel=1e-11), name
