"""The rounding error that is left in a mean, compared with a simulated quantiser."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.estimate.rounding import (
    residual_bias,
    rounding_variance,
    rounding_variance_of_array,
)


@pytest.mark.parametrize("sigma", [0.0, 0.05, 0.1, 0.2, 1.0 / 3.0, 0.5])
def test_residual_bias_of_a_dithered_quantiser(sigma: float) -> None:
    """The series agrees with the mean error, computed exactly from the normal distribution.

    The mean of a rounded normal is the sum over digits of the probabilities to exceed each
    boundary.
    """
    levels = (np.arange(2000) + 0.5) / 2000.0 - 0.5
    boundaries = np.arange(-8, 8) + 0.5
    above = np.array(
        [
            [
                0.5 * math.erfc((edge - level) / sigma / math.sqrt(2.0)) if sigma else level > edge
                for edge in boundaries
            ]
            for level in levels
        ]
    )
    bias = above.sum(axis=1) - 8.0 - levels

    assert residual_bias(sigma) == pytest.approx(float(np.mean(bias**2)), rel=1e-3, abs=1e-12)


def test_equal_readings_keep_the_whole_variance_of_rounding() -> None:
    """GUM F.2.2.1: q²/12, for one reading and for many."""
    assert rounding_variance([4.0], 2.0) == pytest.approx(4.0 / 12.0)
    assert rounding_variance([4.0] * 100, 2.0) == pytest.approx(4.0 / 12.0)


def test_noise_of_half_a_digit_leaves_nothing() -> None:
    """Readings spread over several digits average their rounding like their noise."""
    readings = np.round(0.3 + 0.6 * np.random.default_rng(1).standard_normal(200)).tolist()

    assert rounding_variance(readings, 1.0) < 1e-4


def test_without_a_known_digit_there_is_no_rounding() -> None:
    """A last digit of 0 means unknown."""
    assert rounding_variance([1.0, 1.0], 0.0) == 0.0


@pytest.mark.parametrize("level", [0.0, 0.1, 0.25, 0.4, 0.5])
@pytest.mark.parametrize("sigma", [0.02, 0.1, 0.2, 1.0 / 3.0, 0.5, 1.0])
def test_two_u_cover_the_truth_at_any_level_and_noise(level: float, sigma: float) -> None:
    """With the scatter of the mean, in 93 of 100 made means of 60 readings."""
    rng = np.random.default_rng([int(100 * level), int(100 * sigma)])
    covered = 0
    for _ in range(400):
        readings = np.round(level + sigma * rng.standard_normal(60))
        variance = rounding_variance(readings.tolist(), 1.0)
        u = math.sqrt(variance + max(float(readings.var()), 1.0 / 12.0) / 60.0)
        covered += abs(float(readings.mean()) - level) <= 2.0 * u

    assert covered >= 0.93 * 400


@given(
    st.lists(st.integers(-3, 3), max_size=60),
    st.floats(1e-12, 1e-6),
    st.floats(-1e-5, 1e-5),
)
def test_arrays_give_the_same_to_the_last_bit(digits: list[int], quantum: float, at: float) -> None:
    """The quicker way for arrays changes no digit of a verdict."""
    readings = [at + digit * quantum for digit in digits]

    expected = rounding_variance(readings, quantum)
    assert rounding_variance_of_array(np.array(readings), quantum) == expected
