"""After the offset left a level that was forecast, the verdict waits by a stated rule."""

import numpy as np
import pytest
from made_cycles import SHAPES
from made_warmups import LIMIT, ringing
from seed_kit import unseen_seed

from benchwatch.estimate.settle.departures import (
    FIRST_WAIT_HORIZONS,
    LONE_WAIT_HORIZONS,
    LONGEST_WAIT_HORIZONS,
    WAIT_INTERVALS,
    Departures,
)
from benchwatch.estimate.settle.settle_estimator import SettleEstimator

HORIZON_S = 100.0


def kept(departures: Departures, since_s: int, until_s: int, level: float) -> float:
    """Stay at `level`, in limits, with an evaluation a second; return the wait at the end (s)."""
    for second in range(since_s, until_s):
        calm = not departures.wait_s(float(second), HORIZON_S)
        departures.add(float(second), level, 0.0, quiet=calm, limit=1.0, horizon_s=HORIZON_S)
    return departures.wait_s(float(until_s - 1), HORIZON_S)


def test_one_departure_is_waited_out_as_long_as_a_cycle_of_four_horizons() -> None:
    """It was quiet for less than that before; it stays away until the quiet is a horizon old."""
    departures = Departures()
    kept(departures, 0, 200, 0.0)

    wait_s = kept(departures, 200, 310, 2.0)

    assert wait_s == pytest.approx(FIRST_WAIT_HORIZONS * HORIZON_S - 10.0, abs=2.0)


def test_one_departure_after_a_longer_calm_is_waited_out_for_a_horizon() -> None:
    """A cycle of up to four horizons stays at a level for at most four."""
    departures = Departures()
    kept(departures, 0, 450, 0.0)

    wait_s = kept(departures, 450, 560, 2.0)

    assert wait_s == pytest.approx(LONE_WAIT_HORIZONS * HORIZON_S - 10.0, abs=2.0)


@pytest.mark.parametrize(
    ("apart_s", "waits"), [(500, 5.0 * WAIT_INTERVALS), (900, LONGEST_WAIT_HORIZONS)]
)
def test_two_departures_are_waited_out_for_longer_than_they_are_apart(
    apart_s: int, waits: float
) -> None:
    """By a quarter more, and for eight horizons at most."""
    departures = Departures()
    kept(departures, 0, 200, 0.0)
    kept(departures, 200, 200 + apart_s, 2.0)

    wait_s = kept(departures, 200 + apart_s, 310 + apart_s, 0.0)

    assert wait_s == pytest.approx(waits * HORIZON_S - 10.0, abs=2.0)


def test_what_dies_away_and_what_was_turned_is_no_departure() -> None:
    """Departures in that time are dropped; earlier ones are kept."""
    departures = Departures()
    kept(departures, 0, 200, 0.0)
    kept(departures, 200, 310, 2.0)

    departures.explain(0.0, 150.0)
    still_s = departures.wait_s(310.0, HORIZON_S)
    departures.explain(150.0, 310.0)
    after_s = departures.wait_s(310.0, HORIZON_S)

    assert still_s > 300.0
    assert after_s == 0.0


@pytest.mark.parametrize("shape", ["saw-tooth", "relaxation"])
def test_a_slow_cycle_is_not_settled_again_once_it_has_jumped(shape: str) -> None:
    """A period of two to four horizons, 1.5 to 4 limits, and no warm-up before it.

    It may be called settled before the first jump, which nothing shows before, and until the jump
    has moved it by more than the limit.
    """
    rng = np.random.default_rng(unseen_seed())
    period_s, swing = rng.uniform(1200.0, 2400.0), rng.uniform(1.5e-9, 4e-9)
    t = np.arange(6500.0)
    cycles = t / period_s
    jumps = np.flatnonzero(np.diff(np.floor(cycles))) + 1
    offsets = swing * SHAPES[shape](cycles) + 5e-11 * rng.standard_normal(len(t))
    settling, settled = SettleEstimator(LIMIT), []

    for second, offset in enumerate(offsets.tolist()):
        settling.add(float(second), offset)
        if second % 10 == 0:
            settle = settling.results().verdict
            assert settle is not None
            if settle.state == "settled":
                settled.append(second)

    assert all(second < jumps[0] + 150 for second in settled)


def test_what_is_left_of_a_ringing_does_not_take_the_verdict_back() -> None:
    """The decaying swing is known and less than the limit: its slope is no drift."""
    withdrawn = 0
    for _ in range(3):
        made = ringing(np.random.default_rng(unseen_seed()), 5000)
        settling, states = SettleEstimator(LIMIT), []
        for second, offset in enumerate(made.readings.tolist()):
            settling.add(float(second), offset)
            if second % 15 == 0:
                settle = settling.results().verdict
                assert settle is not None
                states.append(settle.state)
        if "settled" in states:
            withdrawn += len({*states[states.index("settled") :]}) > 1

    assert withdrawn <= 1
