"""Noise of a mean: the deviation at the averaging time, never s/√n."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from seed_kit import unseen_seed

from benchwatch.estimate.averaging import noise_of_mean


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
    "white and flicker": lambda n, random: random.normal(size=n) + 0.2 * flicker(n, random),
}


@pytest.mark.parametrize("kind", MAKERS)
def test_u_covers_what_the_next_run_shows(kind: str) -> None:
    """2 u holds the difference of two neighbouring runs' means, over √2, 85 times in 100.

    A normal with exactly known u would give 95; u itself is known to some 30 % only.
    """
    random = np.random.default_rng(20310505)
    runs, n, held = 200, 200, 0
    for _ in range(runs):
        both = MAKERS[kind](2 * n, random)
        noise = noise_of_mean(both[:n], 1.0)
        assert noise is not None
        held += abs(both[:n].mean() - both[n:].mean()) / math.sqrt(2) <= 2 * noise.u

    assert held >= 0.85 * runs


@pytest.mark.parametrize(("kind", "share"), [("white", 0.95), ("flicker", 0.90)])
@pytest.mark.parametrize("n", [60, 300])
def test_coverage_on_fresh_runs(kind: str, share: float, n: int) -> None:
    """On seeds drawn at the run, 2 u covers 95 % for white noise and 90 % for flicker.

    Three standard errors of the count are allowed for the draw.
    """
    random, runs, held = np.random.default_rng(unseen_seed()), 300, 0
    for _ in range(runs):
        both = MAKERS[kind](2 * n, random)
        noise = noise_of_mean(both[:n], 1.0)
        assert noise is not None
        held += abs(both[:n].mean() - both[n:].mean()) / math.sqrt(2) <= 2 * noise.u

    assert held / runs >= share - 3 * math.sqrt(share * (1 - share) / runs)


@pytest.mark.parametrize("n", [60, 300, 1200])
def test_steady_on_white_noise(n: int) -> None:
    """From run to run u is 1 to 6 times σ/√n, fresh seeds: no run in twenty says ten times."""
    random = np.random.default_rng(unseen_seed())
    ratios = []
    for _ in range(200):
        noise = noise_of_mean(random.normal(size=n), 1.0)
        assert noise is not None
        ratios.append(noise.u * math.sqrt(n))

    low, middle, high = np.quantile(ratios, [0.05, 0.5, 0.95])

    assert low >= 1.0
    assert middle <= 2.6
    assert high <= 6.0


def test_never_the_root_n_of_correlated_readings() -> None:
    """On flicker noise s/√n is several times too small; the deviation is not (GUM 4.2.7)."""
    values = flicker(2000, np.random.default_rng(3))

    noise = noise_of_mean(values, 1.0)

    assert noise is not None
    assert noise.u > 5 * values.std() / math.sqrt(values.size)


def test_white_noise_averages_down() -> None:
    """On white noise u comes out at 1 to 3 times s/√n, averaged over fresh runs."""
    random = np.random.default_rng(5)

    ratios = []
    for _ in range(50):
        noise = noise_of_mean(random.normal(size=600), 1.0)
        assert noise is not None
        ratios.append(noise.u * math.sqrt(600))

    assert 1.0 <= np.median(ratios) <= 3.0


@pytest.mark.parametrize("size", [0, 1, 2, 5])
def test_too_few(size: int) -> None:
    """Fewer than six readings say nothing of their noise."""
    assert noise_of_mean(np.arange(float(size)), 1.0) is None


def test_degenerate_runs() -> None:
    """Constant readings show no noise (the resolution speaks for them); nan alone, nothing."""
    constant = noise_of_mean(np.full(100, 3e-9), 2.0)

    assert constant is not None
    assert constant.u == 0.0
    assert constant.averaging_s == 200.0
    assert noise_of_mean(np.full(100, math.nan), 1.0) is None


def test_no_three_in_a_row() -> None:
    """Every third reading missing leaves no whole difference, and nothing is bridged."""
    values = np.random.default_rng(1).normal(size=90)
    values[::3] = math.nan

    assert noise_of_mean(values, 1.0) is None


def test_gap_is_never_bridged() -> None:
    """A jump hidden in a gap does not enter: both sides alone show the same noise."""
    values = np.random.default_rng(2).normal(size=401)
    values[200] = math.nan
    jumped = values + 1000.0 * (np.arange(401) > 200)

    plain, after = noise_of_mean(values, 1.0), noise_of_mean(jumped, 1.0)

    assert plain is not None
    assert after is not None
    assert after.u == pytest.approx(plain.u, rel=1e-6)


@given(
    shift=st.floats(-1e-3, 1e-3), scale=st.floats(1e-3, 1e3), slope=st.floats(-1e-11, 1e-11)
)  # fmt: skip
def test_shift_scale_sign_and_drift(shift: float, scale: float, slope: float) -> None:
    """A shift and a steady drift change nothing, scale scales, a sign is not seen."""
    values = 1e-9 * np.random.default_rng(9).normal(size=120)
    plain = noise_of_mean(values, 1.0)
    assert plain is not None

    changed = noise_of_mean(shift + scale * (slope * np.arange(120.0) - values), 1.0)

    assert changed is not None
    assert changed.u == pytest.approx(scale * plain.u, rel=1e-3, abs=1e-15)
