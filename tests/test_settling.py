"""Drift and settle verdict on made readings with known truth."""

import numpy as np
import pytest

from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.settling import Settling

LIMIT = SettleLimit(1e-9, 60.0)


def _feed(settling: Settling, times, offsets):
    """All (time, state) at which the state changed."""
    changes = []
    for t, y in zip(times, offsets, strict=True):
        settling.add(t, y)
        verdict = settling.verdict()
        if verdict and (not changes or changes[-1][1] != verdict.state):
            changes.append((t, verdict.state))
    return changes


def test_an_oven_that_comes_in_is_settled_once() -> None:
    """One exponential: settled within two horizons of its true time, never withdrawn."""
    t = np.arange(600.0)
    offsets = 1e-6 * np.exp(-t / 20.0) + 1e-11 * np.random.default_rng(3).standard_normal(600)

    changes = _feed(Settling(LIMIT), t, offsets)

    truly = 20.0 * np.log(1e-6 * (1.0 - np.exp(-3.0)) / 1e-9)
    assert changes[-1][1] == "settled"
    assert truly < changes[-1][0] < truly + 120.0
    assert [state for _, state in changes].count("settled") == 1


@pytest.mark.parametrize(("origin", "offset"), [(0.0, 0.0), (1.9e9, 1e-3), (-5.0, -1e-3)])
def test_drift_is_found_on_any_origin(origin: float, offset: float) -> None:
    """A constant drift within 3 u at Unix times and offsets of 1e-3."""
    t = origin + np.arange(400.0)
    noise = 1e-11 * np.random.default_rng(4).standard_normal(400)
    settling = Settling(None)

    _feed(settling, t, offset + 2e-12 * np.arange(400.0) + noise)

    drift = settling.drift()
    assert drift is not None
    assert drift.u is not None
    assert abs(drift.per_s - 2e-12) < 3.0 * drift.u
    assert settling.verdict() is None


def test_a_nudge_leaves_a_settled_oven_settled() -> None:
    """A step of known time neither withdraws the verdict nor shows as drift."""
    rng = np.random.default_rng(5)
    settling = Settling(LIMIT)
    before = _feed(settling, np.arange(300.0), 1e-11 * rng.standard_normal(300))

    _feed(settling, np.arange(300.0, 302.0), 5e-8 + 1e-11 * rng.standard_normal(2))
    settling.step(300.0, 5e-8, 1e-11)
    after = _feed(settling, np.arange(302.0, 500.0), 5e-8 + 1e-11 * rng.standard_normal(198))

    drift = settling.drift()
    assert before[-1][1] == "settled"
    assert [state for _, state in after] == ["settled"]
    assert drift is not None
    assert drift.u is not None
    assert abs(drift.per_s) < 4.0 * drift.u


def test_a_gap_must_be_earned_again() -> None:
    """After a gap the verdict is unsure until there is enough of a span."""
    rng = np.random.default_rng(6)
    settling = Settling(LIMIT)
    _feed(settling, np.arange(300.0), 1e-11 * rng.standard_normal(300))

    settling.gap()
    after = _feed(settling, np.arange(900.0, 1200.0), 1e-11 * rng.standard_normal(300))

    assert [state for _, state in after] == ["unsure", "settled"]
    assert after[1][0] - 900.0 < 120.0
