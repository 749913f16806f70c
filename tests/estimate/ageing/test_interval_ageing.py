"""Forecasts and due dates of units that are trimmed at their visits."""

import math
from pathlib import Path

import numpy as np
import pytest
from made_visits import HORIZON_DAYS, made_unit
from seed_kit import unseen_seed

from benchwatch.errors import UsageError
from benchwatch.estimate.ageing.interval_ageing import interval_ageing
from benchwatch.estimate.ageing.mean_rate import mean_rate, rate_by_errors
from benchwatch.estimate.ageing.unit_due import unit_due
from benchwatch.estimate.ageing.visit_history import (
    YEAR_DAYS,
    DatedOffset,
    VisitHistory,
    VisitOffsets,
    visit_history,
)
from benchwatch.estimate.derived_frequencies import DAY_S

pytestmark = pytest.mark.long

NORRIS = Path(__file__).parents[2] / "data" / "nist_strd" / "Norris.dat"


def history_of(*rows: tuple[float, float, float], u: float | None = 0.05) -> VisitHistory:
    """Make a history of rows (day, as found, as left) in ppb."""
    made = []
    for number, (day, found, left) in enumerate(rows, start=1):
        records = [
            DatedOffset(utc_s=at * DAY_S, offset=ppb * 1e-9, u=None if u is None else u * 1e-9)
            for at, ppb in ((day, found), (day + 0.1, left))
        ]
        made.append(VisitOffsets(label=str(number), as_found=records[0], as_left=records[1]))
    return visit_history(made)


def test_norris() -> None:
    """Untrimmed visits of equal u: the mean rate is the certified slope of a straight line.

    NIST StRD, Norris: B1 = 1.00211681802045 with sd 4.29796848199937e-4 for a residual sd of
    0.884796396144373, which is taken as u here.
    """
    rows = [list(map(float, row.split())) for row in NORRIS.read_text().splitlines()[60:96]]
    rows.sort(key=lambda row: row[1])
    visits = [
        VisitOffsets(
            label=str(number),
            as_found=DatedOffset(
                utc_s=x * YEAR_DAYS * DAY_S + number * 1e-7, offset=y, u=0.884796396144373
            ),
        )
        for number, (y, x) in enumerate(rows, start=1)
    ]

    rate = rate_by_errors(visit_history(visits))

    assert rate is not None
    assert rate.per_year == pytest.approx(1.00211681802045, rel=1e-9)
    assert rate.u == pytest.approx(4.29796848199937e-4, rel=1e-9)


def test_rate_of_trimmed_visits_by_their_errors() -> None:
    """Independent intervals of 1 and 3 years weigh as their lengths: (1·1 + 3·6)/(1 + 9) ppb."""
    year = YEAR_DAYS + 0.1
    history = history_of((0.0, 9.0, 0.0), (year, 1.0, 0.0), (4 * YEAR_DAYS + 0.2, 6.0, 0.0))

    rate = rate_by_errors(history)

    assert rate is not None
    assert rate.per_year == pytest.approx(1.9e-9, rel=1e-6)
    assert rate.u == pytest.approx(0.05e-9 * math.sqrt(2.0 / 10.0), rel=1e-6)


def test_rate_without_u() -> None:
    """No mean rate is given where a record's u is not known, but the forecast still has a band."""
    history = history_of((0.0, 9.0, 0.0), (365.0, 1.0, 0.0), (730.0, 1.0, 0.0), u=None)

    ageing = interval_ageing(history)

    assert mean_rate(history) is None
    assert ageing is not None
    band = ageing.forecast(365.0)
    assert band.low is not None
    assert band.high is not None
    assert band.low < 1e-9 < band.high


def test_one_visit_has_no_forecast() -> None:
    """One visit, or none, gives no ageing."""
    assert interval_ageing(history_of((0.0, 9.0, 0.0))) is None
    assert interval_ageing(history_of()) is None


def test_sign_and_scale() -> None:
    """Turned over and a hundred times larger, the band is turned over and a hundred times wider."""
    rows = ((0.0, 9.0, 0.1), (400.0, 1.2, -0.1), (700.0, 0.6, 0.0), (1100.0, 1.0, 0.2))
    plain = interval_ageing(history_of(*rows))
    turned = interval_ageing(
        history_of(*((day, -100 * found, -100 * left) for day, found, left in rows), u=5.0)
    )
    assert plain is not None
    assert turned is not None

    one, two = plain.forecast(365.0), turned.forecast(365.0)

    assert one.low is not None
    assert one.high is not None
    assert two.low == pytest.approx(-100 * one.high, rel=1e-6)
    assert two.high == pytest.approx(-100 * one.low, rel=1e-6)
    assert two.offset == pytest.approx(-100 * one.offset, rel=1e-6)


def test_today_it_is_what_was_measured() -> None:
    """At the newest record the forecast is that record, as wide as its own u and little more."""
    ageing = interval_ageing(
        history_of((0.0, 9.0, 0.1), (400.0, 1.2, -0.1), (700.0, 0.6, 0.0), (1100.0, 1.0, 0.2))
    )
    assert ageing is not None

    now = ageing.forecast(0.0)

    assert now.offset == pytest.approx(0.2e-9, abs=0.02e-9)
    assert now.low is not None
    assert now.high is not None
    assert 0.18e-9 < now.high - now.low < 0.5e-9  # 2 · 1.96 · 0.05 ppb


def test_four_visits_on_a_line_have_a_date() -> None:
    """1 ppb a year, seen three times with 0.05 ppb: 5 ppb are used up in five years."""
    year = YEAR_DAYS
    history = history_of(*((k * year, 1.0, 0.0) for k in range(4)))
    ageing = interval_ageing(history)
    assert ageing is not None

    due = ageing.due(5e-9, HORIZON_DAYS)

    assert due.expected_days == pytest.approx(5.0 * year, rel=0.05)
    assert due.earliest_days is not None
    assert 4.0 * year < due.earliest_days < 5.0 * year
    assert due.latest_days is None or due.latest_days > 5.0 * year


def test_two_visits_have_a_date_with_a_wide_range() -> None:
    """One interval of a year gives a date; its range begins much earlier and may stay open."""
    ageing = interval_ageing(history_of((0.0, 9.0, 0.0), (YEAR_DAYS, 1.0, 0.0)))
    assert ageing is not None

    due = ageing.due(3e-9, HORIZON_DAYS)

    assert due.expected_days is not None
    assert due.earliest_days is not None
    assert 2.5 * YEAR_DAYS < due.expected_days < 6.0 * YEAR_DAYS
    assert 0.5 * YEAR_DAYS < due.earliest_days < 2.5 * YEAR_DAYS
    assert due.latest_days is None


def test_outside_is_due_at_once() -> None:
    """A unit that was left outside is due on its newest day."""
    ageing = interval_ageing(history_of((0.0, 9.0, 0.0), (YEAR_DAYS, 1.0, 6.0)))
    assert ageing is not None

    due = ageing.due(5e-9, HORIZON_DAYS)

    assert due.expected_days == due.earliest_days == due.latest_days == 0.0


@pytest.mark.parametrize(("tolerance", "horizon"), [(0.0, 10.0), (1e-9, 0.0), (math.nan, 1.0)])
def test_bad_limits(tolerance: float, horizon: float) -> None:
    """A tolerance or horizon of zero is refused."""
    ageing = interval_ageing(history_of((0.0, 9.0, 0.0), (YEAR_DAYS, 1.0, 0.0)))
    assert ageing is not None

    with pytest.raises(UsageError, match="above zero"):
        ageing.due(tolerance, horizon)


@pytest.mark.parametrize(
    ("rows", "tolerance", "state"),
    [
        ((), 5e-9, "no record"),
        (((0.0, 9.0, 0.0),), None, "no tolerance"),
        (((0.0, 9.0, 8.0),), 5e-9, "outside"),
        (((0.0, 9.0, 0.0),), 5e-9, "one visit"),
        (((0.0, 9.0, 0.0), (365.0, 0.05, 0.0)), 5e-9, "not moved"),
        (((0.0, 9.0, 0.0), (0.6, 0.05, 0.0)), 5e-9, "not moved"),
        (((0.0, 9.0, 0.0), (365.0, 1.0, 0.0)), 5e-9, "known"),
        (((0.0, 9.0, 0.0), (365.0, 1.0, 0.0), (300.0, 1.0, 0.0)), 5e-9, "doubtful date"),
    ],
)
def test_state_of_a_due_date(
    rows: tuple[tuple[float, float, float], ...], tolerance: float | None, state: str
) -> None:
    """Each reason why no date can be told has its state; only two are given an earliest date."""
    history = history_of(*rows)

    due = unit_due(history, interval_ageing(history), tolerance)

    assert due.state == state
    assert (due.due_utc_s is not None) == (state == "known")
    assert (due.horizon_utc_s is not None) == (state in {"known", "not moved"})


def test_many_visits() -> None:
    """Hundreds of visits give a forecast of the newest ones, about as sure as the walk allows."""
    random = np.random.default_rng(unseen_seed())
    rows = [(30.0 * k, 1.0 + 0.05 * random.normal(), 0.0) for k in range(300)]
    ageing = interval_ageing(history_of(*rows))
    assert ageing is not None

    month = ageing.forecast(30.0)

    assert month.offset == pytest.approx(1e-9, abs=0.1e-9)
    assert month.low is not None
    assert month.low > 0.7e-9


@pytest.mark.parametrize("visits", [2, 4, 7])
@pytest.mark.parametrize("walk", [False, True])
@pytest.mark.parametrize("law", ["linear", "logarithmic"])
def test_band_and_due_range_hold_the_truth(law: str, walk: bool, visits: int) -> None:
    """The 95 % band holds the true offset in nine of ten made units, the due range its crossing.

    Three standard errors of the count are allowed.
    """
    random, runs, held, due_held = np.random.default_rng(unseen_seed()), 50, 0, 0
    for _ in range(runs):
        unit = made_unit(random, law=law, walk=walk, visits=visits)
        ageing = interval_ageing(unit.history)
        assert ageing is not None
        band = ageing.forecast(float(unit.ahead_days[73]))
        assert band.low is not None
        assert band.high is not None
        held += band.low <= unit.true[73] <= band.high
        tolerance = abs(unit.true[0]) + abs(unit.yearly) * 10 ** random.uniform(-0.5, 0.5)
        due_held += unit.is_crossing_within(ageing.due(tolerance, HORIZON_DAYS), tolerance)

    assert held / runs >= 0.90 - 3 * math.sqrt(0.09 / runs)
    assert due_held / runs >= 0.90 - 3 * math.sqrt(0.09 / runs)
