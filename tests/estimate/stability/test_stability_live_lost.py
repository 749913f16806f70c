"""Lost readings and the live deviations of a run that holds a warm-up."""

import numpy as np
import pytest
from seed_kit import unseen_seed

from benchwatch.pipeline.history import History
from benchwatch.pipeline.slow_statistics import StabilityTracker

COUNT = 3000


def oadev(offsets: np.ndarray, lost: np.ndarray) -> dict[float, float]:
    """Return the table of a run at 1 s without the readings marked as lost."""
    deviations = StabilityTracker()
    for k in np.flatnonzero(~lost):
        deviations.add(float(k), float(offsets[k]))
    rows = deviations.now(History()).deviations
    return {row.tau_s: row.value for row in rows if row.deviation == "oadev"}


def white_phase(rng: np.random.Generator) -> np.ndarray:
    """Return offsets of white phase noise of 1e-10."""
    return np.diff(rng.normal(0.0, 1e-10, COUNT + 1))


def some(rng: np.random.Generator) -> np.ndarray:
    """Return one in a hundred as lost, neither the first nor the last."""
    lost = rng.random(COUNT) < 0.01
    lost[:20] = lost[-1] = False
    return lost


def test_the_warm_up_counts_at_every_time_although_readings_are_lost() -> None:
    """Phase noise and a warm-up: the deviations are the same with and without losses."""
    rng = np.random.default_rng(unseen_seed())
    offsets = 1e-6 * np.exp(-np.arange(COUNT) / 100.0) + white_phase(rng)

    whole, holed = oadev(offsets, np.zeros(COUNT, bool)), oadev(offsets, some(rng))

    assert holed.keys() == whole.keys()
    for tau_s in whole:
        assert holed[tau_s] == pytest.approx(whole[tau_s], rel=0.02), tau_s


def test_phase_noise_is_not_raised_by_what_was_put_in() -> None:
    """White phase noise, one in a hundred lost: right where it is known, else left out."""
    rng = np.random.default_rng(unseen_seed())
    ratios: dict[float, list[float]] = {}
    for _ in range(8):
        offsets = white_phase(rng)
        whole, holed = oadev(offsets, np.zeros(COUNT, bool)), oadev(offsets, some(rng))
        for tau_s in holed:
            ratios.setdefault(tau_s, []).append(holed[tau_s] / whole[tau_s])

    assert set(ratios) >= {1.0, 2.0, 4.0, 8.0}
    assert max(ratios) <= 64.0
    for tau_s, found in ratios.items():
        if len(found) < 4:
            continue
        assert np.mean(found) == pytest.approx(1.0, abs=0.06), tau_s


def test_without_the_straight_line_the_warm_up_still_counts() -> None:
    """The line through an exponential leaves its curve, also with losses.

    Up to 32 readings differences that span a loss are left out; which ones is random.
    """
    rng = np.random.default_rng(unseen_seed())
    offsets = 1e-6 * np.exp(-np.arange(COUNT) / 100.0) + white_phase(rng)
    tables = []
    for lost in (np.zeros(COUNT, bool), some(rng)):
        deviations, buffer = StabilityTracker(), History()
        for k in np.flatnonzero(~lost):
            deviations.add(float(k), float(offsets[k]))
            buffer.add(float(k), float(offsets[k]))
        rows = deviations.now(buffer).without_drift
        tables.append({row.tau_s: row.value for row in rows if row.deviation == "oadev"})

    whole, holed = tables
    assert len(whole) > 8
    assert holed.keys() >= {tau_s for tau_s in whole if tau_s <= 512.0}
    for tau_s in holed.keys() & whole.keys():
        near = 0.03 if tau_s > 32.0 else 0.5
        assert holed[tau_s] == pytest.approx(whole[tau_s], rel=near), tau_s
