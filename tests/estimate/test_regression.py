"""Least squares compared with certified values.

Data and certified values: NIST Statistical Reference Datasets (public domain), the files under
data/nist_strd as the National Institute of Standards and Technology published them.
"""

from pathlib import Path

import numpy as np
import pytest

from benchwatch.estimate.regression import CentredSums, EvenLine, centred, fit_line

DATA = Path(__file__).parents[1] / "data" / "nist_strd"


def _data(name):
    """Return columns y and x of a data file, whose data begin after line 60."""
    rows = np.loadtxt(DATA / f"{name}.dat", skiprows=60)
    return rows[:, 0], rows[:, 1]


def test_norris_line() -> None:
    """StRD Norris: both coefficients, their sd and the residual sd to 11 digits or more."""
    y, x = _data("Norris")

    line = fit_line(x, y)

    intercept, u_intercept = line.at(0.0)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.u_slope == pytest.approx(4.29796848199937e-4, rel=1e-12)
    assert u_intercept == pytest.approx(0.232818234301152, rel=1e-12)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-12)


def test_norris_slope_survives_a_unix_time() -> None:
    """The same data with 1.7e9 added to x: one-pass sums give 0.9953, centred ones the slope.

    The abscissa itself is rounded to 2.4e-7 there, which leaves nine digits.
    """
    y, x = _data("Norris")

    line = fit_line(x + 1.7e9, y)

    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.u_slope == pytest.approx(4.29796848199937e-4, rel=1e-8)


def test_gum_calibration_line() -> None:
    """JCGM 100:2008 H.3: -0.1712(29), 0.00218(67), b(30) = -0.1494(41).

    The readings of table H.6 are typed from memory.
    """
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]

    line = fit_line(np.array(t) - 20.0, b)

    at_20, u_20 = line.at(0.0)
    at_30, u_30 = line.at(10.0)
    assert (round(at_20, 4), round(u_20, 4)) == (-0.1712, 0.0029)
    assert (round(line.slope, 5), round(line.u_slope, 5)) == (0.00218, 0.00067)
    assert (round(at_30, 4), round(u_30, 4)) == (-0.1494, 0.0041)


def test_all_ways_to_a_line_agree() -> None:
    """Norris by sums of a list, by sums point by point, and by evenly spaced values."""
    y, x = _data("Norris")
    points = list(zip(x.tolist(), y.tolist(), strict=True))
    running = CentredSums()
    for point in points:
        running.add(*point)
    slope, residual_sum = EvenLine(len(y)).fit(y.tolist())
    plain, even = fit_line(x, y), fit_line(np.arange(len(y)), y)

    for sums in (centred(points), running):
        assert sums.slope == pytest.approx(plain.slope, rel=1e-12)
        sd = (sums.residual_sum / (sums.points - 2)) ** 0.5
        assert sd == pytest.approx(plain.residual_sd, rel=1e-8)
    assert slope == pytest.approx(even.slope, rel=1e-12)
    assert residual_sum == pytest.approx(even.residual_sd**2 * (len(y) - 2), rel=1e-9)


@pytest.mark.parametrize("factor", [1e-12, -1.0, 1e9])
def test_line_follows_scale_and_shift(factor: float) -> None:
    """Slope and its u scale with y and ignore a shift of t."""
    rng = np.random.default_rng(1)
    t = np.arange(50.0)
    y = 0.3 * t + rng.standard_normal(50)
    plain = fit_line(t, y)

    line = fit_line(t + 12345.0, factor * y)

    assert line.slope == pytest.approx(factor * plain.slope, rel=1e-12)
    assert line.u_slope == pytest.approx(abs(factor) * plain.u_slope, rel=1e-12)


def test_two_points_give_a_line_without_uncertainty() -> None:
    """Unknown is nan, not zero."""
    line = fit_line([0.0, 2.0], [1.0, 5.0])

    assert line.slope == 2.0
    assert np.isnan(line.u_slope)


def test_degenerate_input_is_refused() -> None:
    """One point, equal times: a sentence each."""
    with pytest.raises(ValueError, match="at least two points"):
        fit_line([1.0], [1.0])
    with pytest.raises(ValueError, match="different times"):
        fit_line([1.0, 1.0], [1.0, 2.0])
