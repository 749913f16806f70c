"""Gaps and degenerate series: nothing is bridged or invented, and nothing raises."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stability_kit import FloatArray

from benchwatch.estimate.stability import (
    NAMES,
    Terms,
    decade_factors,
    degrees_of_freedom,
    factor_of,
    octave_factors,
    phase_of_offsets,
    phase_of_phase,
    stability_table,
    variance,
)

NAN = math.nan


def by_hand(name: str, y: FloatArray, m: int) -> tuple[float, int]:
    """Return the definition summed term by term over windows without nan."""
    squares = []
    step = m if name in {"adev", "hdev"} else 1
    span = {"mdev": 3 * m - 1, "hdev": 3 * m, "ohdev": 3 * m}.get(name, 2 * m)
    for i in range(0, len(y) - span + 1, step):
        window = y[i : i + span]
        if np.isnan(window).any():
            continue
        x = np.concatenate(([0.0], np.cumsum(window)))
        if name == "mdev":
            means = [x[k * m : (k + 1) * m].mean() for k in range(3)]
            squares.append((means[2] - 2 * means[1] + means[0]) ** 2 / (2 * m**2))
        elif name in {"hdev", "ohdev"}:
            squares.append((x[3 * m] - 3 * x[2 * m] + 3 * x[m] - x[0]) ** 2 / (6 * m**2))
        else:
            squares.append((x[2 * m] - 2 * x[m] + x[0]) ** 2 / (2 * m**2))
    return (float(np.mean(squares)) if squares else NAN), len(squares)


@given(
    y=st.lists(
        st.one_of(st.floats(-1.0, 1.0), st.just(NAN), st.floats(-1.0, 1.0)), min_size=1, max_size=60
    ).map(np.array),
    name=st.sampled_from(["adev", "oadev", "mdev", "hdev", "ohdev"]),
    m=st.integers(1, 6),
)
def test_every_difference_that_touches_a_gap_is_skipped(y: FloatArray, name: str, m: int) -> None:
    """The definition, term by term over whole windows, gives the same value and as many terms."""
    expected, count = by_hand(name, y, m)

    square, runs = variance(name, phase_of_offsets(y), m)

    assert runs.sum() == count
    if count:
        assert math.sqrt(square) == pytest.approx(math.sqrt(expected), rel=1e-9, abs=1e-14)
    else:
        assert math.isnan(square)


def test_a_jump_during_a_gap_has_no_effect() -> None:
    """A jump of 1e-6 while the link was lost does not change the deviations."""
    rng = np.random.default_rng(5)
    y = rng.normal(size=400) * 1e-11
    y[200] = NAN
    moved = y.copy()
    moved[201:] += 1e-6

    for name in NAMES:
        plain, _ = variance(name, phase_of_offsets(y), 8)
        jumped, _ = variance(name, phase_of_offsets(moved), 8)
        assert math.sqrt(jumped) == pytest.approx(math.sqrt(plain), rel=1e-4), name


def test_a_gap_in_phase_breaks_the_two_intervals_beside_it() -> None:
    """One missing time error makes two offsets missing."""
    x = np.random.default_rng(6).normal(size=100)
    y = np.diff(x)
    y[49:51] = NAN
    x[50] = NAN

    for name in NAMES:
        by_phase, phase_runs = variance(name, phase_of_phase(x, 1.0), 3)
        by_offset, offset_runs = variance(name, phase_of_offsets(y), 3)
        assert by_phase == pytest.approx(by_offset, rel=1e-12), name
        assert phase_runs.tolist() == offset_runs.tolist()


def test_degrees_of_freedom_of_a_broken_run_are_those_of_its_parts() -> None:
    """Two runs of equal length have twice the degrees of freedom of one, for white FM."""
    one = degrees_of_freedom(Terms("oadev", 4, np.array([100])), 0)

    two = degrees_of_freedom(Terms("oadev", 4, np.array([100, 100])), 0)

    assert two == pytest.approx(2 * one, rel=1e-12)


@pytest.mark.parametrize(
    "y",
    [
        np.zeros(0),
        np.array([1e-9]),
        np.full(50, NAN),
        np.array([NAN, 1e-9, NAN, 2e-9, NAN]),
        np.array([1e-9, math.inf, 2e-9, -math.inf]),
    ],
)
def test_nothing_to_difference_gives_no_rows(y: FloatArray) -> None:
    """Empty, single, all missing, never two in succession: no number, and no warning."""
    table = stability_table(phase_of_offsets(y), 1.0, NAMES, [1, 2, 4])

    assert table == ()


def test_two_readings_give_one_difference_and_wide_limits() -> None:
    """ADEV of 1e-9 and 3e-9 is √2e-9; one degree of freedom, noise unknown."""
    (row,) = stability_table(phase_of_offsets(np.array([1e-9, 3e-9])), 1.0, ["oadev"], [1, 2])

    assert row.value == pytest.approx(math.sqrt(2) * 1e-9, rel=1e-12)
    assert row.n == 1
    assert row.edf == pytest.approx(1.0)
    assert row.noise is None
    assert row.high is not None
    assert row.high > 4 * row.value


@pytest.mark.parametrize("value", [0.0, 1e-3, 892.0, -1e-9])
def test_a_constant_is_no_perfect_oscillator(value: float) -> None:
    """Readings that repeat give 0 without limits, as noise below the last digit is unknown."""
    table = stability_table(phase_of_offsets(np.full(100, value)), 1.0, NAMES, [1, 10])

    assert len(table) == 14
    for row in table:
        assert row.value == 0.0
        assert row.low is row.high is row.edf is row.noise is None


def test_limits_and_values_are_finite_for_short_runs() -> None:
    """From three readings up every row is finite, and the value lies inside its limits."""
    rng = np.random.default_rng(2)
    for size in (3, 5, 8, 13, 29, 30, 31, 60):
        phase = phase_of_offsets(rng.normal(size=size))

        for row in stability_table(phase, 1.0, NAMES, octave_factors(phase.points)):
            assert row.low is not None
            assert row.high is not None
            assert row.edf is not None
            assert 0 < row.low < row.value < row.high < math.inf, row
            assert 0.5 < row.edf <= row.n * 1.6, row


def test_grids_of_averaging_times() -> None:
    """Octaves and decades reach as far as two averaging times fit the run."""
    assert octave_factors(1001) == [1, 2, 4, 8, 16, 32, 64, 128, 256]
    assert octave_factors(3) == [1]
    assert octave_factors(2) == []
    assert decade_factors(1001) == [1, 10, 100]
    assert decade_factors(2000) == [1, 10, 100]
    assert decade_factors(2001) == [1, 10, 100, 1000]


def test_an_averaging_time_is_a_whole_number_of_intervals() -> None:
    """0.3 s is three times 0.1 s in spite of rounding; 1.5 s is no multiple of 1 s."""
    assert factor_of(0.3, 0.1) == 3
    assert factor_of(100.0, 0.1) == 1000
    assert factor_of(1.5, 1.0) is None
    assert factor_of(0.4, 1.0) is None
