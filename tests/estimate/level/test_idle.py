"""An oscillator that nobody turns gives hardly any nudges, and turns are still confirmed."""

import numpy as np
import pytest
from made_idle import IDLE, TARGETS, nudges, saw_tooth
from seed_kit import unseen_seed

from benchwatch.estimate.level.oscillator_steps import OscillatorSteps

READINGS = 3000


@pytest.mark.parametrize("family", IDLE)
def test_left_alone_there_is_hardly_a_nudge(family: str) -> None:
    """Three runs of about an hour: at most the target and what chance may add to it.

    Before wander and cycles were taken into account it was 0.7 and 8 a thousand readings for random
    walk and saw-tooth.
    """
    told = 0
    for _ in range(3):
        rng = np.random.default_rng(unseen_seed())
        told += len(nudges(IDLE[family](rng, READINGS), rng))

    expected = TARGETS[family] * 3 * READINGS / 1000.0
    assert told <= expected + 2.0 * expected**0.5


@pytest.mark.parametrize("readings", [20, 60])
def test_turns_of_one_size_are_all_told(readings: int) -> None:
    """Eight nudges of 12 σ the same way at even times are no cycle: the level stays between."""
    rng = np.random.default_rng(unseen_seed())
    offsets = np.repeat(12.0 * np.arange(9), readings)
    told = nudges(offsets, rng)

    assert len(told) == 8
    assert all(0 <= k % readings <= 4 for k, _ in told)


def test_turned_there_and_back_again_and_again_is_told() -> None:
    """Up 15 σ and down 15 σ at even times are turns, because the level stands between them."""
    rng = np.random.default_rng(unseen_seed())
    told = nudges(np.repeat([0.0, 15.0] * 5, 40), rng)

    assert len(told) == 9


def test_a_turn_on_a_cycling_oven_is_told() -> None:
    """Turned by twice the swing in the slow part of a cycle, after a few periods."""
    seen = 0
    for _ in range(8):
        rng = np.random.default_rng(unseen_seed())
        swing = saw_tooth(rng, 1200)
        turned = swing.copy()
        edges = np.flatnonzero(np.abs(np.diff(swing)) > 0.5 * np.ptp(swing))
        at = int(edges[-2] + edges[-1]) // 2
        turned[at:] += 2.0 * np.ptp(swing)
        seen += any(at <= k <= at + 8 for k, _ in nudges(turned, rng))

    assert seen >= 7


def test_a_step_is_known_again_by_the_way_back() -> None:
    """Of three equal steps only one after a way back by itself counts as known."""
    own = OscillatorSteps()
    own.add(100, 20.0, 20.0, 20.0, 12)

    assert own.recurs(220, 0.0, 20.0, 1.0, 12)  # it was at 20, and is at 0 again
    assert not own.recurs(220, 20.0, 20.0, 1.0, 12)  # it stayed at 20
    assert not own.recurs(220, 20.0, -20.0, 1.0, 12)  # it is turned back
    assert not own.recurs(105, 0.0, 20.0, 1.0, 12)  # the same step
    assert not own.recurs(220, 0.0, 50.0, 1.0, 12)  # another size
    own.add(160, -20.0, 0.0, -20.0, 12)
    assert not own.recurs(220, 0.0, 20.0, 1.0, 12)  # it was turned to 0
    own.clear()
    assert not own.recurs(220, 0.0, 20.0, 1.0, 12)
