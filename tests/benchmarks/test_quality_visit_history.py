"""Quality of forecasts and due dates of units that are trimmed at each visit; printed only."""

import secrets

import numpy as np
import pytest
from made_visits import HORIZON_DAYS, made_unit

from benchwatch.estimate.ageing.interval_ageing import interval_ageing
from benchwatch.estimate.ageing.mean_rate import mean_rate, rate_by_errors
from benchwatch.estimate.ageing.visit_history import YEAR_DAYS

RUNS = 200


@pytest.mark.parametrize("visits", [2, 3, 4, 6, 8])
@pytest.mark.parametrize("walk", [False, True])
@pytest.mark.parametrize("law", ["linear", "logarithmic"])
def test_forecasts_of_trimmed_units(law: str, walk: bool, visits: int) -> None:
    """Print how often the 95 % band holds the true offset, and the due range its crossing."""
    random = np.random.default_rng(secrets.randbits(32))
    held = due_held = open_ends = 0
    rate_held = plain_held = 0
    widths, spans, rate_us = [], [], []
    for _ in range(RUNS):
        unit = made_unit(random, law=law, walk=walk, visits=visits)
        found = interval_ageing(unit.history)
        assert found is not None
        rate, plain = mean_rate(unit.history), rate_by_errors(unit.history)
        assert rate is not None
        assert plain is not None
        rate_held += abs(rate.per_year - unit.mean_per_year) <= 2.0 * rate.u
        plain_held += abs(plain.per_year - unit.mean_per_year) <= 2.0 * plain.u
        rate_us.append(rate.u / abs(unit.yearly))
        year = found.forecast(float(unit.ahead_days[int(YEAR_DAYS / 5.0)]))
        assert year.low is not None
        assert year.high is not None
        held += year.low <= unit.true[int(YEAR_DAYS / 5.0)] <= year.high
        widths.append((year.high - year.low) / abs(unit.yearly))
        tolerance = abs(unit.true[0]) + abs(unit.yearly) * 10 ** random.uniform(-0.5, 0.5)
        due = found.due(tolerance, HORIZON_DAYS)
        due_held += unit.is_crossing_within(due, tolerance)
        open_ends += due.latest_days is None
        if due.earliest_days is not None and due.latest_days is not None:
            spans.append((due.latest_days - due.earliest_days) / 30.4)

    span = f"{np.median(spans):.0f} months" if spans else "none"
    print(
        f"{law}{' and walk' if walk else ''}, {visits} visits: band held {held / RUNS:.3f}, width "
        f"{np.median(widths):.2f} yearly ageings; due range held {due_held / RUNS:.3f}, median "
        f"{span}, latest not in 10 years {open_ends / RUNS:.2f}; rate "
        f"held by 2 u {rate_held / RUNS:.3f} ({plain_held / RUNS:.3f} without scatter), u "
        f"{np.median(rate_us):.3f} yearly ageings; {RUNS} runs"
    )
