"""The ageing rate over several intervals, with the scatter between them."""

import math
from collections.abc import Sequence

import numpy as np
import pytest
from made_visits import made_unit
from seed_kit import unseen_seed

from benchwatch.estimate.ageing.mean_rate import MeanRate, mean_rate, rate_by_errors
from benchwatch.estimate.ageing.visit_history import (
    YEAR_DAYS,
    DatedOffset,
    VisitHistory,
    VisitOffsets,
    visit_history,
)
from benchwatch.estimate.derived_frequencies import DAY_S


def trimmed(
    *changes: float, u: float = 0.07, at_days: Sequence[float] | None = None
) -> VisitHistory:
    """Make visits that trim to 0 each time, a year apart, with these changes (ppb) between them."""
    made = []
    for number, ppb in enumerate((9.0, *changes)):
        day = number * YEAR_DAYS if at_days is None else at_days[number]
        found, left = (
            DatedOffset(utc_s=(day + later) * DAY_S, offset=one * 1e-9, u=u * 1e-9)
            for later, one in ((0.0, ppb), (0.001, 0.0))
        )
        made.append(VisitOffsets(label=str(number), as_found=found, as_left=left))
    return visit_history(made)


def rate_of(*changes: float, u: float = 0.07) -> MeanRate:
    """Return the rate over these changes."""
    found = mean_rate(trimmed(*changes, u=u))
    assert found is not None
    return found


def test_changes_that_contradict_each_other() -> None:
    """+5 and -5 ppb a year: the rate is 0, and its u is of the size of the changes.

    The standard error of the mean of +5 and -5 is 5.
    """
    rate = rate_of(5.0, -5.0)

    assert abs(rate.per_year) < 0.01e-9
    assert 4e-9 < rate.u < 8e-9
    assert rate.counts_scatter


def test_changes_that_differ_by_more_than_their_uncertainties() -> None:
    """2.40 ± 0.14 and 1.53 ± 0.14: u is no less than the standard error of the mean, 0.435."""
    rate = rate_of(2.40, 1.53, u=0.1)

    assert rate.per_year == pytest.approx(1.965e-9, rel=0.01)
    assert 0.435e-9 < rate.u < 1.0e-9


def test_many_changes_that_agree() -> None:
    """Seven equal changes: u is about that of the records, which is less than of each change."""
    rate = rate_of(*[2.0] * 7, u=0.07)

    assert rate.per_year == pytest.approx(2e-9, rel=0.01)
    assert 0.035e-9 < rate.u < 0.06e-9


def test_one_interval_counts_the_measurement_only() -> None:
    """Its u is that of the change."""
    rate = rate_of(1.6)

    assert rate.u == pytest.approx(0.07e-9 * math.sqrt(2.0), rel=0.001)
    assert not rate.counts_scatter


def test_two_visits_within_an_hour() -> None:
    """An interval of hardly any length neither raises u without bounds, nor hides the others."""
    days = [number * YEAR_DAYS for number in range(4)]
    rate = mean_rate(trimmed(2.0, 2.0, 2.0, 0.1, at_days=[*days, days[-1] + 0.04]))

    assert rate is not None
    assert rate.per_year == pytest.approx(2e-9, rel=0.1)
    assert rate.u < 1e-9


def test_scale() -> None:
    """All offsets a thousand times larger: so are the rate and its u."""
    small, large = rate_of(2.0, 1.5, 1.8), rate_of(2000.0, 1500.0, 1800.0, u=70.0)

    assert large.per_year == pytest.approx(1000.0 * small.per_year, rel=1e-6)
    assert large.u == pytest.approx(1000.0 * small.u, rel=1e-6)


@pytest.mark.parametrize("visits", [3, 4, 7])
@pytest.mark.parametrize("walk", [False, True])
@pytest.mark.parametrize("law", ["linear", "logarithmic"])
def test_rate_holds_the_truth(law: str, walk: bool, visits: int) -> None:
    """Rate ± 2·u holds the mean ageing over the visits in nine of ten made units.

    Three standard errors of the count are allowed. Where the unit wanders or its ageing slows
    down, the errors of the records alone do not.
    """
    random, runs, held, held_by_errors = np.random.default_rng(unseen_seed()), 60, 0, 0
    for _ in range(runs):
        unit = made_unit(random, law=law, walk=walk, visits=visits)
        rate, plain = mean_rate(unit.history), rate_by_errors(unit.history)
        assert rate is not None
        assert plain is not None
        held += abs(rate.per_year - unit.mean_per_year) <= 2.0 * rate.u
        held_by_errors += abs(plain.per_year - unit.mean_per_year) <= 2.0 * plain.u

    assert held / runs >= 0.90 - 3 * math.sqrt(0.09 / runs)
    assert walk is False or held_by_errors < held
