"""Ageing laws, their forecast and the date at which an oscillator is due."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from seed_kit import unseen_seed

from benchwatch.errors import NoReadings, UsageError
from benchwatch.estimate.ageing.ageing_forecast import (
    due_by_law,
    due_date,
    forecast_ageing,
    forecast_by_law,
)
from benchwatch.estimate.ageing.ageing_laws import EARLIER_DAYS, Ageing, fit_ageing

# A public series of an oscillator's first month after 48 h of running, in ppb. The three-
# parameter law of MIL-PRF-55310 fits it with A = 2.13268948 ± 0.145 ppb (computed), where the
# search for B stopped at 1230 a day; with B·t far above one the law is c + A·ln(t).
DAYS = (2.0, 4.0, 7.0, 8.0, 9.0, 12.0, 13.0, 25.0, 32.0)
PPB = (2.0, 3.5, 4.65, 5.05, 5.22, 6.11, 6.19, 7.26, 7.92)


def public_series() -> Ageing:
    """Fit the public series, in fractions."""
    return fit_ageing(DAYS, [value * 1e-9 for value in PPB])


def test_public_series() -> None:
    """A agrees with the three-parameter fit to 3e-4 ppb, well inside its ±0.145."""
    ageing = public_series()

    assert ageing.best.law == "logarithmic"
    assert ageing.told_apart
    assert ageing.best.slope * 1e9 == pytest.approx(2.13268948, abs=3e-4)
    assert ageing.best.per_decade == pytest.approx(ageing.best.slope * 2.302585, rel=1e-6)


def test_public_series_with_its_b() -> None:
    """At B = 1229.80 the full law gives the printed A to its last digit: B hardly matters."""
    x = [1229.80385794491 * day + 1 for day in DAYS]

    fit = fit_ageing(x, PPB)

    assert fit.best.slope == pytest.approx(2.13268948, abs=5e-9)


def test_against_a_general_purpose_fit() -> None:
    """Slope, its uncertainty and c agree with numpy's polynomial fit and its covariance."""
    (slope, constant), covariance = np.polyfit(np.log(DAYS), PPB, 1, cov=True)

    fit = fit_ageing(DAYS, PPB).best

    assert fit.slope == pytest.approx(slope, rel=1e-12)
    assert fit.constant == pytest.approx(constant, rel=1e-12)
    assert fit.u_slope == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-12)


def test_linear_ageing_is_seen_as_linear() -> None:
    """For offsets on a straight line with a little scatter the linear law is better."""
    offsets = [1e-10 * day + 2e-11 * (-1) ** n for n, day in enumerate(range(10, 200, 10))]

    ageing = fit_ageing([float(day) for day in range(10, 200, 10)], offsets)

    assert ageing.best.law == "linear"
    assert ageing.told_apart
    assert ageing.best.per_decade is None
    assert ageing.best.slope == pytest.approx(1e-10, rel=0.02)


def test_prediction_band_of_the_gum_line() -> None:
    """GUM H.3 (JCGM 100:2008): the line at 30 °C has u = 0.0041; a further reading scatters more.

    s = 0.0035 and u(b(30)) = 0.0041 are printed; the band of one further observation is
    t·√(s² + u²).
    """
    warmth = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010,
              26.511]  # fmt: skip
    correction = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161,
                  -0.160]  # fmt: skip
    ageing = fit_ageing(warmth, correction)
    line = ageing.best if ageing.best.law == "linear" else ageing.other
    assert line is not None
    assert line.scatter is not None

    at_30 = forecast_by_law(line, 30.0, 0.95)

    assert f"{line.scatter:.4f} {at_30.offset:.4f}" == "0.0035 -0.1494"
    assert at_30.high is not None
    assert at_30.high - at_30.offset == pytest.approx(
        2.262157 * math.hypot(line.scatter, 0.0041386), rel=1e-5
    )


def test_due_date() -> None:
    """The crossing is where c + A·ln(t) has it, between the first and last crossing of the band."""
    ageing = public_series()
    fit = ageing.best

    leaves = due_by_law(fit, 12e-9, ageing.last_days, 3650.0)

    assert leaves.expected_days == pytest.approx(math.exp((12e-9 - fit.constant) / fit.slope))
    assert leaves.earliest_days is not None
    assert leaves.latest_days is not None
    assert leaves.expected_days is not None
    assert 32.0 < leaves.earliest_days < leaves.expected_days < leaves.latest_days
    assert forecast_by_law(fit, leaves.earliest_days).high == pytest.approx(12e-9, rel=1e-9)
    assert forecast_by_law(fit, leaves.latest_days).low == pytest.approx(12e-9, rel=1e-9)


def test_never_within_the_horizon() -> None:
    """A tolerance that is kept over the horizon gives None, not a far date."""
    ageing = public_series()

    leaves = due_by_law(ageing.best, 100e-9, ageing.last_days, 3650.0)

    assert leaves.expected_days is leaves.earliest_days is leaves.latest_days is None
    assert leaves.horizon_days == 3650.0


def test_already_outside() -> None:
    """An oscillator that is outside at its last visit is due at once."""
    ageing = public_series()

    assert due_by_law(ageing.best, 1e-9, ageing.last_days, 365.0).expected_days == ageing.last_days


def test_two_visits() -> None:
    """Two visits give a line but no uncertainty, no band and no choice of law."""
    ageing = fit_ageing([10.0, 20.0], [1e-9, 3e-9])

    leaves = due_by_law(ageing.best, 10e-9, 20.0, 365.0)

    assert ageing.best.slope == pytest.approx(2e-10)
    assert ageing.best.u_slope is ageing.aicc_margin is ageing.other is None
    assert not ageing.told_apart
    assert forecast_by_law(ageing.best, 30.0).low is None
    assert leaves.expected_days == pytest.approx(55.0)
    assert leaves.earliest_days is leaves.latest_days is None


@pytest.mark.parametrize("days", [[], [10.0], [10.0, 10.0, 10.0]])
def test_too_few_visits(days: list[float]) -> None:
    """None, one, or all on one day: a sentence instead of ageing."""
    with pytest.raises(NoReadings, match="two different times"):
        fit_ageing(days, [1e-9] * len(days))


def test_constant_oscillator() -> None:
    """An oscillator that does not age has slope and scatter zero, and rounding favours no law."""
    ageing = fit_ageing([1.0, 2.0, 5.0, 30.0], [0.1, 0.1, 0.1, 0.1])

    assert ageing.best.slope == pytest.approx(0.0, abs=1e-17)
    assert ageing.best.scatter == 0.0
    assert ageing.aicc_margin == 0.0
    assert not ageing.told_apart


@pytest.mark.parametrize(
    ("days", "offsets"),
    [
        ([1.0, math.nan, 3.0], [0.0, 0.0, 0.0]),
        ([1.0, 2.0, 3.0], [0.0, math.inf, 0.0]),
        ([0.0, 2.0, 3.0], [0.0, 1.0, 0.0]),
        ([1.0, 2.0], [0.0]),
    ],
)
def test_bad_visits(days: list[float], offsets: list[float]) -> None:
    """A visit that is no number, or before the beginning of ageing, is refused."""
    with pytest.raises(UsageError):
        fit_ageing(days, offsets)


@pytest.mark.parametrize(("tolerance", "horizon"), [(0.0, 10.0), (1e-9, 0.0), (math.nan, 1.0)])
def test_bad_limits(tolerance: float, horizon: float) -> None:
    """A tolerance or horizon of zero is refused."""
    with pytest.raises(UsageError, match="above zero"):
        due_by_law(public_series().best, tolerance, 32.0, horizon)


SCATTERED = st.lists(st.floats(-1, 1), min_size=6, max_size=12)


@given(offsets=SCATTERED, shift=st.floats(-10, 10), scale=st.floats(0.01, 100))
def test_shift_scale_and_sign(offsets: list[float], shift: float, scale: float) -> None:
    """A shift changes c only, a factor scales, a sign turns; the choice of law stays."""
    days = [float(2**n) for n in range(len(offsets))]
    plain = fit_ageing(days, offsets)

    changed = fit_ageing(days, [shift - scale * value for value in offsets])

    clear = plain.aicc_margin is not None and 1e-3 < plain.aicc_margin < math.inf
    if clear and plain.best.scatter is not None and plain.best.scatter * scale > 1e-3:
        assert changed.best.law == plain.best.law
        assert changed.best.slope == pytest.approx(-scale * plain.best.slope, rel=1e-6, abs=1e-9)
        assert changed.best.scatter == pytest.approx(scale * plain.best.scatter, rel=1e-6)
        assert changed.best.constant == pytest.approx(
            shift - scale * plain.best.constant, rel=1e-6, abs=1e-6
        )


def test_band_holds_what_comes() -> None:
    """On made series with known law the 90 % band holds a further visit nine times in ten."""
    random = np.random.default_rng(20310504)
    days = np.array([3.0, 10.0, 30.0, 60.0, 120.0, 240.0])
    inside = 0
    for _ in range(1000):
        offsets = 2e-9 * np.log(days) + random.normal(0, 1e-10, days.size)
        fit = fit_ageing([*days], [*offsets]).best
        later = 2e-9 * math.log(480.0) + random.normal(0, 1e-10)
        band = forecast_by_law(fit, 480.0, 0.90)
        assert band.low is not None
        assert band.high is not None
        inside += fit.law == "logarithmic" and band.low <= later <= band.high

    assert 870 <= inside <= 930  # 900 expected, three standard deviations of 9.5 each way


def made_visits(random: np.random.Generator, law: str, visits: int) -> Ageing:
    """Fit visits at random times in a thousand days, with ageing of 1 to 30 times their scatter."""
    days = np.sort(random.uniform(1.0, 1000.0, visits))
    shape = days if law == "linear" else np.log(days)
    size = 10 ** random.uniform(0.0, 1.5) / np.ptp(shape)
    return fit_ageing([*days], [*(size * shape + random.normal(0.0, 1.0, visits))])


@pytest.mark.parametrize("visits", [6, 9, 15])
@pytest.mark.parametrize("law", ["linear", "logarithmic"])
def test_hardly_ever_the_wrong_law(law: str, visits: int) -> None:
    """On made series the wrong law is called better in 2 of 100 at most."""
    random, runs = np.random.default_rng(unseen_seed()), 500

    found = [made_visits(random, law, visits) for _ in range(runs)]

    wrong = sum(ageing.told_apart and ageing.best.law != law for ageing in found)
    right = sum(ageing.told_apart and ageing.best.law == law for ageing in found)
    assert wrong <= 0.02 * runs + 3 * math.sqrt(0.02 * runs)
    assert right > 0.15 * runs


@pytest.mark.parametrize("visits", [3, 4, 5])
def test_a_handful_of_visits_names_no_law(visits: int) -> None:
    """Up to five visits no law is called better, and the band holds the better one's forecast."""
    ageing = made_visits(np.random.default_rng(7), "linear", visits)

    both = forecast_ageing(ageing, 2000.0)

    assert not ageing.told_apart
    assert both.low is not None
    assert both.high is not None
    assert both.low < both.offset == ageing.best.at(2000.0) < both.high


def test_due_by_all_that_is_open() -> None:
    """The dates are those at which the edges of the band cross, the expected one between them."""
    ageing = made_visits(np.random.default_rng(7), "linear", 5)

    leaves = due_date(ageing, 60.0, 36500.0)

    assert leaves.expected_days is not None
    assert leaves.earliest_days is not None
    assert leaves.earliest_days < leaves.expected_days
    assert leaves.latest_days is None or leaves.latest_days >= leaves.expected_days
    edge = forecast_ageing(ageing, leaves.earliest_days)
    assert max(edge.high or 0.0, -(edge.low or 0.0)) == pytest.approx(60.0, rel=1e-2)


def test_five_visits_near_a_line_have_a_date() -> None:
    """Within 0.1 ppb of 1.64 ppb a year, 3.6 ppb of 5 ppb used: ten months, give or take months."""
    days = [30.0, 180.0, 365.0, 550.0, 770.0]
    scatter = [0.08, -0.10, 0.05, 0.07, -0.06]
    line = [1.64 * day / 365.25 for day in days]
    offsets = [y + e + 3.6 - line[-1] for y, e in zip(line, scatter, strict=True)]

    leaves = due_date(fit_ageing(days, offsets), 5.0, 1826.0)

    months = [
        None if at is None else (at - 770.0) / 30.4
        for at in (leaves.earliest_days, leaves.expected_days, leaves.latest_days)
    ]
    assert months[0] is not None
    assert months[1] is not None
    assert months[2] is not None
    assert 3.0 < months[0] < 8.0 < months[1] < 12.0 < months[2] < 30.0


def further_visit(
    random: np.random.Generator, kind: str, visits: int
) -> tuple[Ageing, float, float]:
    """Make visits at random times in a thousand days, and one a year after the last.

    ``less``: logarithmic less linear of 0.3 to 1 times its size; ``walk``: linear and random walk.
    """
    days = np.sort(random.uniform(1.0, 1000.0, visits))
    at = np.append(days, days[-1] + 365.25)
    size, span = 10 ** random.uniform(0.3, 1.5), float(np.ptp(days))
    if kind == "less":
        offsets = (
            size * np.log(at) / np.ptp(np.log(days)) - size * random.uniform(0.3, 1) * at / span
        )
    else:
        steps = np.sqrt(np.diff(at, prepend=0.0) / span) * random.choice([1.0, 3.0])
        offsets = size * at / span + np.cumsum(steps * random.normal(size=at.size))
    offsets = offsets + random.normal(size=at.size)
    return fit_ageing([*days], [*offsets[:-1]]), float(at[-1]), float(offsets[-1])


@pytest.mark.parametrize("visits", [6, 8, 12])
@pytest.mark.parametrize("kind", ["less", "walk"])
def test_band_holds_what_no_single_law_says(kind: str, visits: int) -> None:
    """The 95 % band holds a visit a year ahead in nine of ten series where no law is exact.

    Three standard errors of the count are allowed.
    """
    random, runs, held = np.random.default_rng(unseen_seed()), 60, 0
    for _ in range(runs):
        ageing, day, true = further_visit(random, kind, visits)
        band = forecast_ageing(ageing, day)
        assert band.low is not None
        assert band.high is not None
        held += band.low <= true <= band.high

    assert held / runs >= 0.90 - 3 * math.sqrt(0.09 / runs)


def test_many_visits() -> None:
    """Hundreds of visits are averaged in groups, and the band is about the scatter of one."""
    random = np.random.default_rng(3)
    days = np.arange(1.0, 401.0)

    band = forecast_ageing(fit_ageing([*days], [*(0.1 * days + random.normal(size=400))]), 401.0)

    assert band.low is not None
    assert band.high is not None
    assert band.low < 40.1 < band.high


def test_an_unknown_beginning_widens_the_band() -> None:
    """Visits a year apart don't show when it was switched on: A and the band are wider."""
    days = [1.0, 180.0, 366.0, 730.0, 1100.0, 1400.0]
    offsets = [1e-9 * math.log(day + 365.0) + 2e-11 * (-1) ** n for n, day in enumerate(days)]

    known = fit_ageing(days, offsets)
    unknown = fit_ageing(days, offsets, origin_known=False)

    assert not known.origin_matters
    assert unknown.origin_matters
    assert 365.0 in {fit.earlier_days for fit in unknown.began_earlier}
    true = next(fit for fit in unknown.began_earlier if fit.earlier_days == EARLIER_DAYS[-1])
    assert true.slope == pytest.approx(1e-9, rel=0.1)
    band = forecast_ageing(unknown, 2000.0)
    assert band.low is not None
    assert band.high is not None
    assert band.low < 1e-9 * math.log(2365.0) < band.high


def test_a_month_from_the_first_day_shows_its_beginning() -> None:
    """The public series shows that ageing did not begin a month before."""
    unknown = fit_ageing(DAYS, [value * 1e-9 for value in PPB], origin_known=False)

    assert unknown.began_earlier == ()
    assert not unknown.origin_matters
