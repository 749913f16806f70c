"""Total deviation: its bias by noise, its degrees of freedom, and limits that cover the truth."""

import math

import numpy as np
import pytest
from seed_kit import unseen_seed
from stability_kit import handbook, made_phase

from benchwatch.estimate.stability import (
    phase_of_offsets,
    phase_of_phase,
    stability_table,
)
from benchwatch.estimate.stability.total_bias import total_bias, total_edf

POINTS, M = 401, 100
WHOLE = np.array([POINTS - 2])


@pytest.mark.parametrize(("alpha", "slope"), [(0, 0.0), (-1, 0.481), (-2, 0.750)])
def test_published_bias(alpha: int, slope: float) -> None:
    """Greenhall, Howe and Percival 1999; NIST SP 1065, 5.2.11 (from memory): 1 − a·τ/T."""
    for m in (20, 50, 100):
        assert total_bias(alpha, m, WHOLE) == pytest.approx(1 - slope * m / POINTS, abs=0.006)


@pytest.mark.parametrize(("alpha", "b", "c"), [(0, 1.50, 0.0), (-1, 1.17, 0.22), (-2, 0.93, 0.36)])
def test_published_degrees_of_freedom(alpha: int, b: float, c: float) -> None:
    """The same sources: edf = b·T/τ − c, from memory."""
    for m in (20, 50, 100):
        assert total_edf(alpha, m, WHOLE) == pytest.approx(b * POINTS / m - c, rel=0.03)


@pytest.mark.parametrize(("share", "percent"), [(4, 16), (2, 29)])
def test_white_phase_noise_reads_high(share: int, percent: int) -> None:
    """No published figure; 16 % and 29 % in the deviation at a quarter and a half of the run.

    From the expectation of the quadratic form; made runs agree.
    """
    m = (POINTS - 1) // share - (share == 2)
    rng, squares = np.random.default_rng(unseen_seed()), []
    for _ in range(400):
        (row,) = stability_table(phase_of_phase(rng.normal(size=POINTS), 1.0), 1.0, ["totdev"], [m])
        squares.append(row.value**2)

    bias = math.sqrt(total_bias(2, m, WHOLE))

    assert round(100 * (bias - 1)) == percent
    # Of unit white phase, AVAR is 3/m²; with 28 and 12 degrees of freedom 400 runs give it to 2 %.
    assert math.sqrt(np.mean(squares)) * m / math.sqrt(3) == pytest.approx(bias, rel=0.05)


def test_a_long_run_is_like_a_short_one() -> None:
    """The ratio depends on τ/T alone, to 1e-2."""
    for alpha in range(-2, 3):
        long = total_bias(alpha, 10_000, np.array([40_000]))
        assert long == pytest.approx(total_bias(alpha, 60, np.array([240])), abs=0.02)


@pytest.mark.parametrize("alpha", [2, 0, -1, -2])
def test_limits_cover_the_truth(alpha: int) -> None:
    """68.27 % limits at a quarter of the run hold the truth in 60 to 76 of 100, noise unknown.

    Three standard errors of the count are allowed.
    """
    truth = {2: math.sqrt(3), 0: math.sqrt(M), -1: 0.0, -2: 0.0}[alpha] / M
    rng, runs, held = np.random.default_rng(unseen_seed()), 150, 0
    if not truth:
        # The truth for these innovations: from many differences of long runs.
        found = [
            stability_table(
                phase_of_phase(made_phase(alpha, 40_001, rng), 1.0), 1.0, ["oadev"], [M]
            )[0].value
            ** 2
            for _ in range(12)
        ]
        truth = math.sqrt(np.mean(found))
    for _ in range(runs):
        phase = phase_of_phase(made_phase(alpha, POINTS, rng), 1.0)
        (row,) = stability_table(phase, 1.0, ["totdev"], [M])
        assert row.low is not None
        assert row.high is not None
        held += row.low <= truth <= row.high

    error = 3 * math.sqrt(0.22 / runs)
    assert 0.60 - error <= held / runs <= 0.76 + error


def test_the_value_is_the_handbook_s() -> None:
    """NIST SP 1065, table of the 1000-point set: totdev 9.13e-2 at 10, without the correction."""
    (row,) = stability_table(phase_of_offsets(handbook()), 1.0, ["totdev"], [10])

    assert row.value == pytest.approx(0.091347432617006186, rel=1e-12)
    assert row.corrected is not None
    assert row.bias is not None
    assert row.corrected * row.bias == pytest.approx(row.value)
    assert row.noise == "white FM"
    assert row.bias == pytest.approx(1.0, abs=1e-3)
