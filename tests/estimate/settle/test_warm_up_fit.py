"""The exponential behind the time to go, and the one that the screen draws."""

import numpy as np
import pytest

from benchwatch.estimate.settle.time_to_go import time_to_fall
from benchwatch.estimate.settle.warm_up_fit import fit_warm_up


def test_time_to_fall() -> None:
    """T·ln(A/ε): 1e-6 to 1e-9 at T = 120 s takes 828.930633 s; 0 once it is there."""
    assert time_to_fall(1e-6, 120.0, 1e-9) == pytest.approx(828.930633, abs=5e-7)
    assert time_to_fall(-1e-6, 120.0, 1e-9) == pytest.approx(828.930633, abs=5e-7)
    assert time_to_fall(5e-10, 120.0, 1e-9) == 0.0


def test_fit_finds_the_exponential_within_its_uncertainty() -> None:
    """Level, amplitude and time constant of 200 made warm-ups: spread and bias as stated."""
    rng = np.random.default_rng(11)
    t = np.arange(300.0, 600.0, 6.0)
    curve = 3e-9 + 2e-7 * np.exp(-t / 120.0)
    scaled = []

    for _ in range(200):
        fit = fit_warm_up(t, curve + 1e-10 * rng.standard_normal(50), np.full(50, 1e-20), 600.0)
        assert fit is not None
        scaled.append(
            (
                (fit.time_constant_s - 120.0) / fit.u_time_constant_s,
                (fit.level - 3e-9) / fit.u_level,
                (fit.amplitude - 2e-7 * np.exp(-5.0)) / fit.u_amplitude,
            )
        )

    assert np.abs(np.mean(scaled, axis=0)).max() < 0.25
    assert np.std(scaled, axis=0) == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("ratio", [3.0, 5.0, 8.0])
def test_the_end_is_covered_where_a_slow_tail_hides(ratio: float) -> None:
    """A tail too small to be fitted moves the end by many u of the noise, not of the end."""
    rng = np.random.default_rng(16)
    t = np.arange(300.0, 600.0, 6.0)
    curve = 2e-7 * np.exp(-t / 120.0) + 4e-10 * np.exp(-t / 120.0 / ratio)
    fits = [
        fit
        for _ in range(100)
        if (
            fit := fit_warm_up(
                t, curve + 1e-11 * rng.standard_normal(50), np.full(50, 1e-22), 600.0
            )
        )
    ]

    by_noise = np.mean([abs(fit.level) < 2.0 * fit.u_level for fit in fits])
    by_end = np.mean([abs(fit.level) < 2.0 * fit.u_end for fit in fits])
    assert len(fits) > 90
    assert by_noise < 0.2
    assert by_end > 0.95


@pytest.mark.parametrize(
    "curve",
    [
        lambda t: 0.0 * t,
        lambda t: 1e-9 * t,
        lambda t: 1e-7 * np.sin(t / 20.0),
        lambda t: 1e-7 * np.exp(-t / 60.0) - 3e-8 * np.exp(-t / 240.0),
    ],
    ids=["noise", "line", "wave", "overshoot"],
)
def test_no_fit_is_better_than_a_bad_one(curve) -> None:
    """Noise, a line, a wave and an overshoot are no exponential: no fit is returned."""
    t = np.arange(0.0, 300.0, 6.0)
    noise = 1e-10 * np.random.default_rng(13).standard_normal(50)

    assert fit_warm_up(t, curve(t) + noise, np.full(50, 1e-20), 300.0) is None


def test_few_points_give_no_fit() -> None:
    """Less than eight points don't determine three parameters."""
    t = np.arange(7.0)

    assert fit_warm_up(t, np.exp(-t), np.ones(7), 7.0) is None


def test_curve_passes_through_the_readings() -> None:
    """`at` draws the fitted curve, also into the future, where it ends at the level."""
    t = np.arange(0.0, 400.0, 5.0)
    y = 1e-6 * np.exp(-t / 100.0) - 2e-8

    fit = fit_warm_up(t, y, np.full(80, 1e-22), 400.0)

    assert fit is not None
    assert np.abs(fit.at(t) - y).max() < 1e-12
    assert fit.at([1e5])[0] == pytest.approx(-2e-8, rel=1e-3)
