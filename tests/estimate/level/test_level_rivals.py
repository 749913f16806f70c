"""The methods with which the live level is compared agree with the literature."""

import math

import numpy as np
import pytest
from level_rivals_kit import TextbookBayes, average_run_length, split_statistic
from seed_kit import unseen_seed

CUSUM_RUN_LENGTHS = {
    4.0: {0.0: 167.684, 0.5: 26.6302, 1.0: 8.38313, 2.0: 3.34277, 3.0: 2.19448},
    5.0: {0.0: 465.443506, 0.5: 37.9961, 1.0: 10.376, 2.0: 4.00887, 3.0: 2.57325},
}
"""Two-sided, k = 0.5 (Montgomery, Introduction to Statistical Quality Control; the printed table
from memory, recomputed)."""


@pytest.mark.parametrize("limit", [4.0, 5.0])
def test_cusum_run_lengths_agree_with_the_handbook(limit: float) -> None:
    """Average readings to an alarm, within four standard errors of a simulation."""
    rng = np.random.default_rng(unseen_seed())

    for shift, expected in CUSUM_RUN_LENGTHS[limit].items():
        mean, error = average_run_length(shift, limit, rng, charts=3000)
        assert abs(mean - expected) < 4.0 * error + 1e-9, shift


def test_textbook_bayes_agrees_with_a_computed_trace() -> None:
    """Run-length probabilities after five readings (computed exactly; σ = 1, prior N(0, 400))."""
    bayes = TextbookBayes(1.0 / 50.0)

    for reading in (0.1, -0.2, 0.3, 5.2, 4.9):
        bayes.add(reading, 1.0, 0.0, 20.0)

    assert bayes.probabilities == pytest.approx(
        [
            0.00149064174514841,
            0.997561811786053,
            0.000571820431170725,
            4.65190352572289e-6,
            0.000371074134101826,
        ],
        rel=1e-12,
    )


def test_split_ratio_gives_false_alarms_as_often_as_computed() -> None:
    """Limit 3.5: 465 ± 25 readings between false alarms of white noise (computed elsewhere)."""
    rng = np.random.default_rng(unseen_seed())
    runs = [_readings_to_alarm(rng, 3.5) for _ in range(250)]

    error = math.hypot(float(np.std(runs)) / math.sqrt(len(runs)), 25.0)
    assert abs(float(np.mean(runs)) - 465.0) < 4.0 * error


def _readings_to_alarm(rng: np.random.Generator, limit: float) -> int:
    """Count the readings until the best of all splits exceeds a limit, by running sums."""
    noise = rng.standard_normal(20_000)
    sums, before = np.cumsum(noise), np.arange(1.0, noise.size)
    for count in range(2, noise.size):
        k, total = before[: count - 1], sums[count - 1]
        squares = (sums[: count - 1] - k * (total / count)) ** 2 * count / (k * (count - k))
        if squares.max() > limit**2:
            assert split_statistic(noise[:count])[0] > limit
            assert split_statistic(noise[: count - 1])[0] <= limit
            return count
    return noise.size
