"""Dates of an ageing, and what lies beyond the calendar."""

import math
from datetime import UTC, datetime

import pytest

import benchwatch
from benchwatch.errors import UsageError

BEGAN = datetime(2031, 1, 1, tzinfo=UTC)


@pytest.fixture
def unit() -> benchwatch.AgeingOfUnit:
    """Return a unit that ages by 1e-12 a year."""
    visits = [datetime(2032 + year, 1, 1, tzinfo=UTC) for year in range(4)]
    return benchwatch.ageing(visits, [1e-9 + year * 1e-12 for year in range(4)], began=BEGAN)


def test_days_since_it_began(unit: benchwatch.AgeingOfUnit) -> None:
    """By the calendar of the standard library: 366 days from 2032 to 2033, a leap year."""
    assert unit.date(0.0) == BEGAN
    assert unit.date(365.0 + 366.0) == datetime(2033, 1, 1, tzinfo=UTC)
    assert unit.date(-1.5) == datetime(2030, 12, 30, 12, tzinfo=UTC)
    assert unit.date(None) is None


@pytest.mark.parametrize("days", [1e12, -1e9, 1e300, math.inf, math.nan])
def test_beyond_the_calendar(unit: benchwatch.AgeingOfUnit, days: float) -> None:
    """A sentence says which days, since when, and what the calendar has."""
    with pytest.raises(UsageError, match=r"days after 2031-01-01 is no date: the calendar has"):
        unit.date(days)
