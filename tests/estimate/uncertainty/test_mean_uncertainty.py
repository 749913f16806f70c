"""Noise of a mean: by how much the next run's mean may differ; never s/√n."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from seed_kit import unseen_seed

from benchwatch.estimate.uncertainty.mean_uncertainty import noise_of_mean
from benchwatch.estimate.uncertainty.uncertainty_budget import coverage_factor, whole_dof


def flicker(n: int, random: np.random.Generator) -> NDArray[np.float64]:
    """Return flicker FM: white noise half integrated (Kasdin 1995, impulse response)."""
    steps = np.arange(1, 4 * n)
    response = np.concatenate(([1.0], np.cumprod((steps - 0.5) / steps)))
    return np.convolve(random.normal(size=4 * n), response)[3 * n : 4 * n]


MAKERS = {
    "white": lambda n, random: random.normal(size=n),
    "flicker": flicker,
    "random walk": lambda n, random: np.cumsum(random.normal(size=n)),
    "white phase": lambda n, random: np.diff(random.normal(size=n + 1)),
    "white and random walk": lambda n, random: (
        random.normal(size=n) + np.cumsum(0.05 * random.normal(size=n))
    ),
    "white and flicker": lambda n, random: random.normal(size=n) + 0.2 * flicker(n, random),
}


def held(kind: str, n: int, runs: int) -> float:
    """Return how often u, expanded to 95 %, holds the mean of the next run of equal length."""
    random, count = np.random.default_rng(unseen_seed()), 0
    for _ in range(runs):
        both = MAKERS[kind](2 * n, random)
        noise = noise_of_mean(both[:n], 1.0)
        assert noise is not None
        k = coverage_factor(whole_dof(noise.dof), 0.95)
        count += abs(both[:n].mean() - both[n:].mean()) <= k * noise.u
    return count / runs


@pytest.mark.parametrize(
    ("kind", "n"),
    [
        ("white", 60), ("white", 300), ("flicker", 60), ("flicker", 300), ("random walk", 20),
        ("random walk", 60), ("white phase", 200), ("white and flicker", 200),
        ("white and random walk", 300),
    ],
)  # fmt: skip
def test_u_holds_the_next_run(kind: str, n: int) -> None:
    """U at 95 % holds the mean of the next run of equal length in nine cases of ten.

    Three standard errors of the count are allowed.
    """
    runs = 100

    share = held(kind, n, runs)

    assert share >= 0.90 - 3 * math.sqrt(0.09 / runs)


@pytest.mark.parametrize("n", [60, 300, 1200])
def test_steady_on_white_noise(n: int) -> None:
    """From run to run u is 1 to 6 times √2σ/√n, its value if the noise were known to be white."""
    random = np.random.default_rng(unseen_seed())
    ratios = []
    for _ in range(200):
        noise = noise_of_mean(random.normal(size=n), 1.0)
        assert noise is not None
        ratios.append(noise.u * math.sqrt(n / 2))

    low, middle, high = np.quantile(ratios, [0.05, 0.5, 0.95])

    assert low >= 1.0
    assert middle <= 2.6
    assert high <= 6.0


def test_never_the_root_n_of_correlated_readings() -> None:
    """On flicker noise s/√n is several times too small; u is not (GUM 4.2.7)."""
    values = flicker(2000, np.random.default_rng(3))

    noise = noise_of_mean(values, 1.0)

    assert noise is not None
    assert noise.u > 5 * values.std() / math.sqrt(values.size)


def test_white_noise_averages_down() -> None:
    """On white noise u is 1 to 3 times √2 s/√n, averaged over made runs."""
    random = np.random.default_rng(5)

    ratios = []
    for _ in range(50):
        noise = noise_of_mean(random.normal(size=600), 1.0)
        assert noise is not None
        ratios.append(noise.u * math.sqrt(300))

    assert 1.0 <= np.median(ratios) <= 3.0


@pytest.mark.parametrize("size", [0, 1, 2, 5])
def test_too_few(size: int) -> None:
    """Fewer than six readings give no u."""
    assert noise_of_mean(np.arange(float(size)), 1.0) is None


def test_degenerate_runs() -> None:
    """Constant readings have no noise (the resolution line covers them); nan alone, no mean."""
    constant = noise_of_mean(np.full(100, 3e-9), 2.0)

    assert constant is not None
    assert constant.u == 0.0
    assert constant.averaging_s == 200.0
    assert noise_of_mean(np.full(100, math.nan), 1.0) is None


def test_no_three_in_a_row() -> None:
    """With every third reading missing there is no second difference, and nothing is bridged."""
    values = np.random.default_rng(1).normal(size=90)
    values[::3] = math.nan

    assert noise_of_mean(values, 1.0) is None


def test_a_jump_in_a_gap_is_never_bridged() -> None:
    """A jump of the level in a gap has no effect: each side has its own level."""
    values = np.random.default_rng(2).normal(size=401)
    values[200] = math.nan
    after = np.arange(401) > 200

    one, two = (
        noise_of_mean(values + 1000.0 * after, 1.0),
        noise_of_mean(values - 50.0 * after, 1.0),
    )

    assert one is not None
    assert two is not None
    assert one.u == pytest.approx(two.u, rel=1e-3)
    assert one.u < 1.0


def test_lost_readings_cost_little() -> None:
    """With one reading in fifty lost u is the same within a third."""
    values = np.random.default_rng(4).normal(size=1000)
    lost = values.copy()
    lost[25::50] = math.nan

    whole, broken = noise_of_mean(values, 1.0), noise_of_mean(lost, 1.0)

    assert whole is not None
    assert broken is not None
    assert broken.u == pytest.approx(whole.u, rel=0.33)


@given(shift=st.floats(-1e-3, 1e-3), scale=st.floats(1e-3, 1e3))
def test_shift_scale_and_sign(shift: float, scale: float) -> None:
    """A shift or sign changes nothing, a factor scales."""
    values = 1e-9 * np.random.default_rng(9).normal(size=120)
    plain = noise_of_mean(values, 1.0)
    assert plain is not None

    changed = noise_of_mean(shift - scale * values, 1.0)

    assert changed is not None
    assert changed.u == pytest.approx(scale * plain.u, rel=1e-3, abs=1e-15)


def test_a_drift_goes_on() -> None:
    """A drift above the noise is expected of the next run too, and not more."""
    values = np.random.default_rng(9).normal(size=300) + 0.05 * np.arange(300.0)

    noise = noise_of_mean(values, 1.0)

    assert noise is not None
    assert 0.3 * 15.0 < noise.u < 1.5 * 15.0
