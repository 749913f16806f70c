"""The Allan family at published values, and compared with a general-purpose library."""

import math

import allantools
import numpy as np
import pytest
from stability_kit import NINE, FloatArray, handbook, made_phase

from benchwatch.estimate.comparison.counter_comparison import mean_offset
from benchwatch.estimate.regression import fit_line
from benchwatch.estimate.stability import (
    NAMES,
    ONE_SIGMA,
    Deviation,
    Terms,
    WindowSums,
    chi2_limits,
    degrees_of_freedom,
    lag1_alpha,
    phase_of_offsets,
    phase_of_phase,
    ratio_alpha,
    stability_table,
    variance,
    variance_ratio,
)
from benchwatch.estimate.stability.confidence import expected_ratio

# NIST SP 1065 section 12 (1000 points) and NBS Monograph 140 annex 8.E (9 points):
# printed there to 7 digits, computed exactly beyond.
PUBLISHED = {
    "adev": (
        91.229449740749834, 115.80821070488339,
        0.29223187810675918, 0.099657360631747856, 0.038978043308026502,
    ),
    "oadev": (
        91.229449740749834, 85.952869837681007,
        0.29223187810675918, 0.091599534201186531, 0.032413430260569836,
    ),
    "mdev": (
        91.229449740749834, 74.788493433147856,
        0.29223187810675918, 0.061723763824522176, 0.021709209136942404,
    ),
    "tdev": (
        52.671347365843351, 86.358313631828947,
        0.16872015349072732, 0.35636231659484763, 1.253381773910758,
    ),
    "hdev": (
        70.806073185850379, 116.79799156378218,
        0.29438832912413203, 0.10527541940128338, 0.039108605597485357,
    ),
    "ohdev": (
        70.806073185850379, 85.614871663747765,
        0.29438832912413203, 0.095810831732515926, 0.032376382527609333,
    ),
    "totdev": (
        91.229449740749834, 93.903790525196585,
        0.29223187810675918, 0.091347432617006186, 0.034065302521826419,
    ),
}  # fmt: skip
LAST_BITS = 1e-15
"""Relative: a few units in the last place of a double."""


def rows(y: FloatArray, factors: list[int]) -> dict[tuple[str, int], Deviation]:
    """Return the whole table of `y` at an interval of 1 s."""
    table = stability_table(phase_of_offsets(y), 1.0, NAMES, factors)
    return {(row.deviation, round(row.tau_s)): row for row in table}


@pytest.mark.parametrize("name", NAMES)
def test_published_deviations_to_their_last_digit(name: str) -> None:
    """NIST SP 1065 section 12 and NBS Monograph 140 annex 8.E, seven digits and beyond."""
    small, large = rows(NINE, [1, 2]), rows(handbook(), [1, 10, 100])

    values = [small[name, m].value for m in (1, 2)] + [large[name, m].value for m in (1, 10, 100)]

    assert [f"{v:.6e}" for v in values] == [f"{v:.6e}" for v in PUBLISHED[name]]
    np.testing.assert_allclose(values, PUBLISHED[name], rtol=LAST_BITS)


def test_the_handbook_series_is_what_the_handbook_prints() -> None:
    """NIST SP 1065 section 12: mean, extremes, spread at 1, 10, 100, and the last point."""
    y = handbook()

    spreads = [np.std(y.reshape(-1, m).mean(axis=1), ddof=1) for m in (1, 10, 100)]

    assert y[999] * 2147483647 == 1560135652
    np.testing.assert_allclose(
        [y.mean(), y.max(), y.min(), *spreads],
        [
            0.48977446285950693, 0.9957452942597425, 0.0013717599219511076,
            0.2884663647130005, 0.092963520069375033, 0.03206656438561186,
        ],
        rtol=LAST_BITS,
    )  # fmt: skip


def test_the_handbook_series_begins_as_it_is_printed() -> None:
    """NIST SP 1065 section 12: n0 to n3 of n(i+1) = 16807 n(i) mod 2147483647."""
    first = handbook(4) * 2147483647

    assert first.tolist() == [1234567890, 395529916, 1209410747, 633705974]


def test_the_drift_of_the_handbook_series() -> None:
    """NIST SP 1065 section 12: least squares and bisection to the seven digits it prints.

    The intercept is that at t = 0 for points at t = 1 to 1000.
    """
    y = handbook()

    line = fit_line(np.arange(1, 1001), y)

    bisected = (mean_offset(y[500:]) - mean_offset(y[:500])) / 500
    found = [line.slope, line.at(0.0)[0], bisected]
    assert [f"{value:.6e}" for value in found] == ["6.490910e-06", "4.865258e-01", "-6.104214e-06"]
    np.testing.assert_allclose(found[:2], [6.4909102488814495e-06, 0.48652576227994176], rtol=1e-13)


def test_the_handbook_series_has_next_to_no_lag_one_autocorrelation() -> None:
    """NIST SP 1065 section 12: r1 = Σ z(i)z(i+1) / Σ z(i)², with z the deviations from the mean.

    So the series is white FM, as the identification finds.
    """
    y = handbook()
    z = y - y.mean()

    r1 = float(z[:-1] @ z[1:] / (z @ z))

    assert f"{r1:.6f}" == "-0.026658"
    assert r1 == pytest.approx(-0.02665813604257048, rel=1e-12)


def test_the_nine_points_are_what_the_monograph_prints() -> None:
    """NBS Monograph 140 annex 8.E: mean, spread, slope and intercept at t = 0 of t = 1 to 9."""
    line = fit_line(np.arange(1, 10), NINE)

    found = [mean_offset(NINE), np.std(NINE, ddof=1), line.slope, line.at(0.0)[0]]
    assert [f"{value:.6f}" for value in found] == [
        "788.888889", "100.977033", "-10.200000", "839.888889",
    ]  # fmt: skip


def test_numbers_of_terms() -> None:
    """NIST SP 1065: N − 2m for oadev, N − 3m + 1 for mdev, N − 3m for ohdev, of N phases."""
    table = rows(handbook(), [10])

    counts = {name: table[name, 10].n for name in ("oadev", "mdev", "ohdev", "totdev")}

    assert counts == {"oadev": 981, "mdev": 972, "ohdev": 971, "totdev": 999}


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
@pytest.mark.parametrize("name", NAMES)
def test_a_general_purpose_library_agrees_on_each_noise(name: str, alpha: int) -> None:
    """The library allantools 2024.6 on made noise of five kinds, phase input."""
    x = made_phase(alpha, 2049, np.random.default_rng(alpha + 5))

    taus, expected, _, _ = getattr(allantools, name)(x, taus=[1, 2, 4, 8, 64, 512])

    phase = phase_of_phase(x, 1.0)
    scale = {m: (m / math.sqrt(3) if name == "tdev" else 1.0) for m in taus.astype(int).tolist()}
    values = [math.sqrt(variance(name, phase, m)[0]) * f for m, f in scale.items()]
    np.testing.assert_allclose(values, expected, rtol=1e-11)


# Computed exactly, to ten digits, from the definition: twice the squared mean over the variance of
# the average of squares, here c0²M/(c0² + 2Σ(1−j/M)cj²) with cj the autocovariances of the M second
# differences (Greenhall, Howe and Percival 1999; from memory). No table of them is published.
EDF = [
    (129, 1, (65.57985091, 84.88947368, 127.0)),
    (129, 4, (63.30482825, 42.76305221, 29.26035701)),
    (129, 16, (54.50981654, 9.86042247, 5.96716190)),
    (1001, 10, (507.17312253, 146.0723257314, 91.75477375)),
]


@pytest.mark.parametrize(("points", "m", "expected"), EDF)
def test_exact_degrees_of_freedom(
    points: int, m: int, expected: tuple[float, float, float]
) -> None:
    """White PM, white FM and random-walk FM, from the autocovariances of the differences."""
    terms = Terms("oadev", m, np.array([points - 2 * m]))

    edf = [degrees_of_freedom(terms, alpha) for alpha in (2, 0, -2)]

    np.testing.assert_allclose(edf, expected, rtol=0, atol=6e-9)


def test_the_simple_form_for_white_fm_is_near_the_exact_one() -> None:
    """NIST SP 1065's simple form gives 146.17678617678618 at N = 1001, m = 10: within 0.6 %."""
    n, m = 1001, 10
    simple = (3 * (n - 1) / (2 * m) - 2 * (n - 2) / n) * 4 * m**2 / (4 * m**2 + 5)

    exact = degrees_of_freedom(Terms("oadev", m, np.array([n - 2 * m])), 0)

    assert simple == pytest.approx(146.17678617678618, rel=1e-14)
    assert exact == pytest.approx(simple, rel=6e-3)


def test_flicker_fm_at_the_shortest_time_has_many_degrees_of_freedom() -> None:
    """NIST SP 1065's simple form, 2(N−2)²/(2.3N−4.9), gives 868.81 at N = 1001, m = 1.

    It is for noise continuous in time; a library that gives 0.87 here is wrong by a thousand.
    """
    edf = degrees_of_freedom(Terms("oadev", 1, np.array([999])), -1)

    assert edf == pytest.approx(2 * 999**2 / (2.3 * 1001 - 4.9), rel=0.08)


@pytest.mark.parametrize(
    ("confidence", "limits"),
    [(ONE_SIGMA, (0.0866794157, 0.0974652686)), (0.95, (0.0821918795, 0.1034583506))],
)
def test_limits_of_the_handbook_series(confidence: float, limits: tuple[float, float]) -> None:
    """NIST SP 1065, χ² limits of a deviation (from memory), on its series of section 12, m = 10.

    Computed to ten digits with the exact edf above and the χ² quantiles; the handbook prints none.
    """
    square, runs = variance("oadev", phase_of_offsets(handbook()), 10)

    found = chi2_limits(
        math.sqrt(square), degrees_of_freedom(Terms("oadev", 10, runs), 0), confidence
    )

    np.testing.assert_allclose(found, limits, rtol=0, atol=6e-11)


def test_edf_agrees_with_the_combined_algorithm_at_long_times() -> None:
    """The library's edf of Greenhall and Riley 2003, for noise continuous in time, N/m = 62."""
    for name, d, modified, overlapping in (
        ("oadev", 2, False, True), ("mdev", 2, True, True), ("ohdev", 3, False, True),
        ("adev", 2, False, False), ("hdev", 3, False, False),
    ):  # fmt: skip
        for alpha in range(0, -3 if d == 2 else -4, -1):
            reference = allantools.edf_greenhall(
                alpha, d, 32, 2001, overlapping=overlapping, modified=modified
            )

            span = 3 * 32 - 1 if modified else d * 32
            count = (2000 - span) // (1 if overlapping else 32) + 1
            edf = degrees_of_freedom(Terms(name, 32, np.array([count])), alpha)
            assert edf == pytest.approx(reference, rel=0.035), (name, alpha)


def test_lag_one_noise_identification_of_the_handbook_series() -> None:
    """Riley and Greenhall 2004, lag-1 method (from memory), on the series of NIST SP 1065, 12.

    α is computed from its steps, −2(δ + d) + 2 of the phase, and is printed nowhere.
    """
    alpha = lag1_alpha(phase_of_offsets(handbook()))

    assert alpha == pytest.approx(0.054854644350918, rel=1e-9)


@pytest.mark.parametrize("n", [2, 10, 64])
def test_ratios_of_modified_to_plain_variance(n: int) -> None:
    """White PM 1/n; white FM (n²+1)/2n² (Lesage and Ayi 1984, from memory); walk 5/6, 13813/16750.

    The last two are exact fractions worked out from the definitions of both variances in NIST
    SP 1065; they stand in no table.
    """
    white_fm, walk = expected_ratio(0, n), expected_ratio(-2, n)

    assert expected_ratio(2, n) == pytest.approx(1 / n, rel=1e-14)
    assert white_fm == pytest.approx((n**2 + 1) / (2 * n**2), rel=1e-13)
    if n < 64:
        assert walk == pytest.approx({2: 5 / 6, 10: 13813 / 16750}[n], rel=1e-13)


@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
@pytest.mark.parametrize("m", [4, 16, 100])
def test_each_noise_is_known_by_its_ratio(alpha: int, m: int) -> None:
    """An expected ratio is identified as the noise for which it is expected."""
    found = ratio_alpha(expected_ratio(alpha, m), 1.0, m)

    assert found == alpha


@pytest.mark.parametrize(
    ("r", "expected"), [(1.1, 1.0886097819), (2.0, 1.5661656266), (10.0, 2.7423829986)]
)
def test_barnes_b2(r: float, expected: float) -> None:
    """B2(r) of Barnes 1969 and NIST TN 1318 (formulas from memory): white 1; walk (3r − 1)/2.

    Flicker FM to ten decimals, computed here from its formula.
    """
    flicker = (r + 1) ** 2 * math.log(r + 1) + (r - 1) ** 2 * math.log(r - 1)
    flicker = (flicker - 2 * r**2 * math.log(r)) / (4 * math.log(2))

    values = [variance_ratio(alpha, 1, r) for alpha in (0, -1, -2)]

    np.testing.assert_allclose(values, [1.0, flicker, (3 * r - 1) / 2], rtol=1e-12)
    assert flicker == pytest.approx(expected, abs=6e-11)


def test_window_sums_in_any_order() -> None:
    """Sums over 1, 2, 3, 6, 10, 100, 7, 64 points, shared from one to the next."""
    x = np.random.default_rng(9).normal(size=300)
    phase = phase_of_phase(x, 1.0)
    sums = WindowSums(phase)

    for m in (1, 2, 3, 6, 10, 100, 7, 64, 300):
        expected = np.convolve(phase.x, np.ones(m), mode="valid")
        np.testing.assert_allclose(sums.over(m), expected, atol=1e-11, err_msg=str(m))
