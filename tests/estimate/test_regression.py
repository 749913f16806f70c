"""Least squares against certified values.

Data and certified values: NIST Statistical Reference Datasets (public domain), the files under
data/nist_strd as the National Institute of Standards and Technology published them.
"""

from pathlib import Path

import numpy as np
import pytest

from benchwatch.estimate.regression import fit_curve, fit_line, fit_through_origin

DATA = Path(__file__).parents[1] / "data" / "nist_strd"


def _data(name):
    """Columns y and x of a data file, whose data begin after line 60."""
    rows = np.loadtxt(DATA / f"{name}.dat", skiprows=60)
    return rows[:, 0], rows[:, 1]


def _saturating(x, b):
    return b[0] * -np.expm1(-b[1] * x)


def _two_exponentials(x, b):
    return b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4])


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


def test_noint1_through_the_origin() -> None:
    """StRD NoInt1: y = 130..140 on x = 60..70."""
    slope, u = fit_through_origin(np.arange(60.0, 71.0), np.arange(130.0, 141.0))

    assert slope == pytest.approx(2.07438016528926, rel=1e-14)
    assert u == pytest.approx(1.65289256198347e-2, rel=1e-12)


def test_gum_calibration_line() -> None:
    """JCGM 100:2008 H.3: -0.1712(29), 0.00218(67), r = -0.930, b(30) = -0.1494(41).

    The readings of table H.6 are typed from memory.
    """
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]

    line = fit_line(np.array(t) - 20.0, b)

    at_20, u_20 = line.at(0.0)
    at_30, u_30 = line.at(10.0)
    assert (round(at_20, 4), round(u_20, 4)) == (-0.1712, 0.0029)
    assert (round(line.slope, 5), round(line.u_slope, 5)) == (0.00218, 0.00067)
    assert round(line.correlation, 3) == -0.930
    assert (round(at_30, 4), round(u_30, 4)) == (-0.1494, 0.0041)


@pytest.mark.parametrize(
    ("name", "model", "start", "values", "u"),
    [
        (
            "Misra1a", _saturating, (500.0, 0.0001),
            (2.3894212918e02, 5.5015643181e-04), (2.7070075241, 7.2668688436e-06),
        ),
        (
            "Misra1a", _saturating, (250.0, 0.0005),
            (2.3894212918e02, 5.5015643181e-04), (2.7070075241, 7.2668688436e-06),
        ),
        (
            "BoxBOD", _saturating, (1.0, 1.0),
            (2.1380940889e02, 5.4723748542e-01), (1.2354515176e01, 1.0455993237e-01),
        ),
        (
            "BoxBOD", _saturating, (100.0, 0.75),
            (2.1380940889e02, 5.4723748542e-01), (1.2354515176e01, 1.0455993237e-01),
        ),
        (
            "MGH17", _two_exponentials, (0.5, 1.5, -1.0, 0.01, 0.02),
            (3.7541005211e-01, 1.9358469127, -1.4646871366, 1.2867534640e-02, 2.2122699662e-02),
            (2.0723153551e-03, 2.2031669222e-01, 2.2175707739e-01, 4.4861358114e-04,
             8.9471996575e-04),
        ),
    ],
)  # fmt: skip
def test_nonlinear_certified_values(name, model, start, values, u) -> None:
    """StRD: parameters to 11 digits and their sd to 10, from the starts that the pages give."""
    y, x = _data(name)

    fit = fit_curve(model, x, y, start)

    assert fit.values == pytest.approx(values, rel=5e-11)
    assert fit.u == pytest.approx(u, rel=5e-10)


@pytest.mark.parametrize("factor", [1e-12, -1.0, 1e9])
def test_line_follows_scale_and_shift(factor: float) -> None:
    """Slope and its u follow a factor on y and ignore a shift of t."""
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


def test_undetermined_parameter_has_no_uncertainty() -> None:
    """A parameter that the data do not touch gets inf, not a made-up number."""
    x = np.arange(5.0)

    fit = fit_curve(lambda x, b: b[0] * x + 0.0 * b[1], x, 2.0 * x, (1.0, 1.0))

    assert fit.values[0] == pytest.approx(2.0)
    assert np.isinf(fit.covariance[1, 1])


def test_degenerate_input_is_refused() -> None:
    """One point, equal times, too few points for the parameters: a sentence each."""
    with pytest.raises(ValueError, match="at least two points"):
        fit_line([1.0], [1.0])
    with pytest.raises(ValueError, match="different times"):
        fit_line([1.0, 1.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="need more than"):
        fit_curve(_saturating, [1.0, 2.0], [1.0, 2.0], (1.0, 1.0))
    with pytest.raises(ValueError, match="through the origin"):
        fit_through_origin([0.0, 0.0], [1.0, 2.0])
