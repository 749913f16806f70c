"""The tool's pull on made benches with known truth, and what is said when it is put on or lifted.

The seeds were not used while the learning was made.
"""

import math

import numpy as np
import pytest
from made_touches import PULL, Move, follow, touches

from benchwatch.estimate.results import Estimate, Nudge, Numbers
from benchwatch.estimate.tool import Tool
from benchwatch.trimming import Trimming

PPB = 1e-9
BENCHES = 25


def pulls(seed: int, times: int, held_s: float) -> list[tuple[float, float]]:
    """Learn the pull on some benches; return error and u of each that told one."""
    told = []
    for number in range(BENCHES):
        rng = np.random.default_rng((seed, number))
        moves, keys = touches(rng, times, held_s=held_s)
        pull, _ = follow(rng, moves, keys, lasts_s=30.0 + times * (held_s + 20.0))
        if pull is not None and pull.u is not None:
            told.append((pull.size - PULL, pull.u))
    return told


@pytest.mark.parametrize(("held_s", "worst_ppb"), [(2.5, 0.3), (6.0, 0.2), (20.0, 0.2)])
def test_a_pull_is_known_as_well_as_it_says(held_s: float, worst_ppb: float) -> None:
    """One touch and its lifting, the first reading half touched: right, and within its own u."""
    told = pulls(101, 1, held_s)

    assert len(told) >= BENCHES - 1
    assert max(abs(error) for error, _ in told) < worst_ppb * PPB
    assert sum(abs(error) <= 2.0 * u for error, u in told) >= 0.85 * len(told)
    assert max(abs(error) / u for error, u in told) < 3.5


@pytest.mark.parametrize("held_s", [0.75, 1.5])
def test_a_touch_too_short_to_come_to_rest_is_known_roughly_and_says_so(held_s: float) -> None:
    """Three or six readings of a hand that still moves: no figure, or one with a u to match."""
    told = pulls(102, 1, held_s)

    assert all(abs(error) <= 2.5 * u for error, u in told)
    assert all(u > 0.5 * PPB for _, u in told)


@pytest.mark.parametrize("late_s", [0.1, 0.5, 1.2, 2.0])
def test_a_turn_right_after_lifting_is_no_pull(late_s: float) -> None:
    """The tool is lifted and the trimmer turned by 5 ppb a moment later: the pull stays 6 ppb.

    It is known from a touch before that.
    """
    for number in range(BENCHES):
        rng = np.random.default_rng((103, number))
        moves, keys = touches(rng, 2, held_s=10.0)
        moves.append(Move(moves[-1].at_s + late_s, -5 * PPB))
        pull, states = follow(rng, moves, keys, lasts_s=90.0)

        assert pull is not None
        assert pull.size == pytest.approx(PULL, abs=0.4 * PPB)
        assert states[-1][1].turn is not None


@pytest.mark.parametrize("turn_ppb", [-12.0, -5.0, 5.0])
@pytest.mark.parametrize("late_s", [0.3, 0.6, 1.0])
def test_a_turn_right_after_the_first_touch_teaches_no_pull(late_s: float, turn_ppb: float) -> None:
    """Nobody can tell touch and turn apart: nothing is aimed at, and as found stays what it was."""
    for number in range(BENCHES):
        rng = np.random.default_rng((105, number))
        moves, keys = touches(rng, 1, held_s=8.0)
        moves.append(Move(moves[0].at_s + late_s, turn_ppb * PPB))
        moves.sort(key=lambda move: move.at_s)
        trimming = Trimming(1 * PPB, None)
        pull, states = follow(rng, moves, keys, lasts_s=60.0, trimming=trimming)

        assert pull is None or pull.size == pytest.approx(PULL, abs=0.4 * PPB)
        assert all(abs(now.tool.aim) < 1e-12 or now.tool.aim > 5 * PPB for _, now in states)
        assert trimming.found is not None
        assert trimming.found.estimate.offset == pytest.approx(0.0, abs=0.3 * PPB)


def test_a_turn_right_before_lifting_is_no_lift() -> None:
    """Touched by 6 ppb, turned by 14 ppb, lifted a second and a half after that: 6 ppb."""
    tool, at_s, level = Tool(), 0.0, 0.0

    def stand(seconds: float) -> None:
        nonlocal at_s
        for _ in range(int(4 * seconds)):
            at_s += 0.25
            tool.hear(at_s, level, 0.1 * PPB)

    stand(10.0)
    tool.touch(at_s, on=True)
    tool.step(Nudge(at_s + 0.25, 6 * PPB, 0.1 * PPB))
    level += 6 * PPB
    stand(6.0)
    turn = tool.step(Nudge(at_s + 0.25, -14 * PPB, 0.1 * PPB))
    level -= 14 * PPB
    stand(1.5)
    claimed = tool.touch(at_s, on=False)
    lift = tool.step(Nudge(at_s + 0.25, -6 * PPB, 0.1 * PPB))
    level -= 6 * PPB
    stand(10.0)

    assert turn is not None
    assert not claimed
    assert lift is None
    assert tool.state.pull is not None
    assert tool.state.pull.size == pytest.approx(6 * PPB, abs=0.1 * PPB)


def test_the_wait_begins_anew_with_every_touch() -> None:
    """From the key on nothing asks for a turn until two readings after the step are in."""
    for number in range(BENCHES):
        rng = np.random.default_rng((104, number))
        moves, keys = touches(rng, 1, held_s=10.0, early=0.0)
        _, states = follow(rng, moves, keys, lasts_s=60.0, tolerance=1 * PPB)
        for key in keys:
            after = [now for at_s, now in states if key.at_s <= at_s <= key.at_s + 0.5]
            judged = [now.judgement for now in after if now.judgement is not None]

            assert judged
            assert not any(judgement.ready for judgement in judged)
            assert after[0].touched
            assert after[0].hint is None


def test_a_touch_that_the_counter_never_sees_does_not_hold_up_for_ever() -> None:
    """A tool without any pull: after a few seconds the number counts again."""
    trimming = Trimming(1 * PPB, None)
    now = Numbers(estimate=Estimate(0.1 * PPB, 0.01 * PPB, 50, 50.0), noise=0.05 * PPB)
    trimming.add(0.0, 0.1 * PPB, now)
    trimming.touch(0.5, now, on=True)
    told = [trimming.add(float(second), 0.1 * PPB, now).touched for second in range(1, 9)]

    assert told[0]
    assert not told[-1]


def test_lifting_begins_the_hold_anew_at_once() -> None:
    """Nothing counts as hands off while a tool is put on or lifted, also before a reading comes."""
    trimming = Trimming(1 * PPB, None)
    now = Numbers(estimate=Estimate(0.1 * PPB, 0.01 * PPB, 50, 50.0), noise=0.05 * PPB)
    held = [trimming.add(float(second), 0.1 * PPB, now).landing for second in range(20)]
    touched = trimming.touch(20.2, now, on=True).landing

    assert held[-1] is not None
    assert held[-1].state == "holding"
    assert touched is not None
    assert touched.state == "outside"
    assert touched.reason == "the tool is on the trimmer"


def test_a_pull_learned_wrong_is_forgotten_after_two_that_are_unlike() -> None:
    """The first touch came with a turn of 14 ppb that nobody could tell from it."""
    tool, at_s, level = Tool(), 0.0, 0.0
    for place, on in enumerate((True, False, True, False)):
        for _ in range(20):
            at_s += 1.0
            tool.hear(at_s, level, 0.1 * PPB)
        tool.touch(at_s + 0.4, on=on)
        moved = (6 * PPB if on else -6 * PPB) + (14 * PPB if place == 0 else 0.0)
        level += moved
        tool.step(Nudge(at_s + 1.0, moved, 0.1 * PPB))

    assert tool.state.pull is not None
    assert tool.state.pull.size == pytest.approx(6 * PPB)


def test_steps_without_an_uncertainty_have_that_of_their_scatter() -> None:
    """On +6, off -5: 5.5 ppb, and the standard error of two."""
    tool = Tool()
    tool.touch(10.0, on=True)
    tool.step(Nudge(10.5, 6 * PPB, None))
    tool.hear(11.0, math.nan, None)
    tool.touch(20.0, on=False)
    tool.step(Nudge(20.5, -5 * PPB, None))

    assert tool.state.pull is not None
    assert tool.state.pull.size == pytest.approx(5.5 * PPB)
    assert tool.state.pull.u == pytest.approx(0.5 * PPB)
