"""The tool's pull on made benches with known truth, and the trim during a touch or a lift.

The seeds were not used when the learning was written.
"""

import math

import numpy as np
import pytest
from made_touches import PULL, Move, follow, touches

from benchwatch.estimate.results import Estimate, Nudge, Numbers
from benchwatch.estimate.trim.tool_pull import ToolPull
from benchwatch.pipeline.trim_tracker import TrimTracker

pytestmark = pytest.mark.long

PPB = 1e-9
BENCHES = 25


def pulls(seed: int, times: int, held_s: float) -> list[tuple[float, float]]:
    """Learn the pull on some benches; return error and u of each that is known."""
    known = []
    for number in range(BENCHES):
        rng = np.random.default_rng((seed, number))
        moves, keys = touches(rng, times, held_s=held_s)
        pull, _ = follow(rng, moves, keys, lasts_s=30.0 + times * (held_s + 20.0))
        if pull is not None and pull.u is not None:
            known.append((pull.size - PULL, pull.u))
    return known


@pytest.mark.parametrize(("held_s", "worst_ppb"), [(2.5, 0.3), (6.0, 0.2), (20.0, 0.2)])
def test_a_pull_is_within_its_u(held_s: float, worst_ppb: float) -> None:
    """One touch and its lift, with the first reading touched for a part of its gate only."""
    known = pulls(101, 1, held_s)

    assert len(known) >= BENCHES - 1
    assert max(abs(error) for error, _ in known) < worst_ppb * PPB
    assert sum(abs(error) <= 2.0 * u for error, u in known) >= 0.85 * len(known)
    assert max(abs(error) / u for error, u in known) < 3.5


@pytest.mark.parametrize("held_s", [0.75, 1.5])
def test_the_pull_of_a_short_touch_is_unknown_or_has_a_large_u(held_s: float) -> None:
    """Three or six readings while the hand still moves."""
    known = pulls(102, 1, held_s)

    assert all(abs(error) <= 2.5 * u for error, u in known)
    assert all(u > 0.5 * PPB for _, u in known)


@pytest.mark.parametrize("late_s", [0.1, 0.5, 1.2, 2.0])
def test_a_turn_right_after_lifting_is_no_pull(late_s: float) -> None:
    """The tool is lifted and the trimmer turned by 5 ppb a moment later: the pull stays 6 ppb.

    It is known from a touch before.
    """
    for number in range(BENCHES):
        rng = np.random.default_rng((103, number))
        moves, keys = touches(rng, 2, held_s=10.0)
        moves.append(Move(moves[-1].at_s + late_s, -5 * PPB))
        pull, states = follow(rng, moves, keys, lasts_s=75.0)

        assert pull is not None
        assert pull.size == pytest.approx(PULL, abs=0.4 * PPB)
        assert states[-1][1].turn is not None


@pytest.mark.parametrize("turn_ppb", [-12.0, -5.0, 5.0])
@pytest.mark.parametrize("late_s", [0.3, 0.6, 1.0])
def test_a_turn_right_after_the_first_touch_teaches_no_pull(late_s: float, turn_ppb: float) -> None:
    """Readings can't separate touch and turn: no pull is learned, and as found stays.

    The step of the touch is withdrawn with the lift.
    """
    for number in range(BENCHES):
        rng = np.random.default_rng((105, number))
        moves, keys = touches(rng, 1, held_s=8.0)
        moves.append(Move(moves[0].at_s + late_s, turn_ppb * PPB))
        moves.sort(key=lambda move: move.at_s)
        trimming = TrimTracker(1 * PPB, None)
        pull, states = follow(rng, moves, keys, lasts_s=45.0, trimming=trimming)

        assert pull is None or pull.size == pytest.approx(PULL, abs=0.4 * PPB)
        known_pulls = [now.tool.pull for _, now in states if now.tool.pull is not None]
        assert all(known.size > 5 * PPB for known in known_pulls)
        assert all(now.tool.first is None for _, now in states if not now.tool.on)
        lifted = [now for at_s, now in states if at_s > keys[1].at_s]
        assert all(abs(now.tool.aim) < 1e-12 for now in lifted)
        assert trimming.found is not None
        assert trimming.found.estimate.offset == pytest.approx(0.0, abs=0.3 * PPB)


def test_a_turn_right_before_lifting_is_no_lift() -> None:
    """Touched by 6 ppb, turned by 14 ppb, lifted a second and a half later: the pull is 6 ppb."""
    tool, at_s, level = ToolPull(), 0.0, 0.0

    def stand(seconds: float) -> None:
        nonlocal at_s
        for _ in range(int(4 * seconds)):
            at_s += 0.25
            tool.add(at_s, level, 0.1 * PPB)

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


def test_the_wait_restarts_with_every_touch() -> None:
    """From the key on no turn is suggested until two readings after the step."""
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


def test_a_touch_without_a_step_blocks_for_seconds_only() -> None:
    """A tool without any pull: after a few seconds the estimate counts again."""
    trimming = TrimTracker(1 * PPB, None)
    now = Numbers(estimate=Estimate(0.1 * PPB, 0.01 * PPB, 50, 50.0), noise=0.05 * PPB)
    trimming.add(0.0, 0.1 * PPB, now)
    trimming.touch(0.5, now, on=True)
    touched = [trimming.add(float(second), 0.1 * PPB, now).touched for second in range(1, 9)]

    assert touched[0]
    assert not touched[-1]


def test_a_lift_restarts_the_hold_at_once() -> None:
    """While a tool is put on or lifted the trim is not hands off, also before any reading."""
    trimming = TrimTracker(1 * PPB, None)
    now = Numbers(estimate=Estimate(0.1 * PPB, 0.01 * PPB, 50, 50.0), noise=0.05 * PPB)
    held = [trimming.add(float(second), 0.1 * PPB, now).landing for second in range(9)]
    touched = trimming.touch(8.2, now, on=True).landing

    assert held[-1] is not None
    assert held[-1].state == "holding"
    assert touched is not None
    assert touched.state == "outside"
    assert touched.reason == "the tool is on the trimmer"


def test_a_wrong_pull_is_dropped_after_two_unlike_ones() -> None:
    """The first touch came with a turn of 14 ppb, which readings could not separate."""
    tool, at_s, level = ToolPull(), 0.0, 0.0
    for place, on in enumerate((True, False, True, False)):
        for _ in range(20):
            at_s += 1.0
            tool.add(at_s, level, 0.1 * PPB)
        tool.touch(at_s + 0.4, on=on)
        moved = (6 * PPB if on else -6 * PPB) + (14 * PPB if place == 0 else 0.0)
        level += moved
        tool.step(Nudge(at_s + 1.0, moved, 0.1 * PPB))

    assert tool.state.pull is not None
    assert tool.state.pull.size == pytest.approx(6 * PPB)


def test_steps_without_an_uncertainty_have_that_of_their_scatter() -> None:
    """On +6, off -5: 5.5 ppb, and the standard error of two."""
    tool = ToolPull()
    tool.touch(10.0, on=True)
    tool.step(Nudge(10.5, 6 * PPB, None))
    tool.add(11.0, math.nan, None)
    tool.touch(20.0, on=False)
    tool.step(Nudge(20.5, -5 * PPB, None))

    assert tool.state.pull is not None
    assert tool.state.pull.size == pytest.approx(5.5 * PPB)
    assert tool.state.pull.u == pytest.approx(0.5 * PPB)


def at_rest(tool: ToolPull, from_s: float, level: float, seconds: float) -> float:
    """Add readings of a quarter second at a level; return the time of the last one."""
    for _ in range(int(4 * seconds)):
        from_s += 0.25
        tool.add(from_s, level, 0.1 * PPB)
    return from_s


def test_the_step_of_the_first_touch_is_the_aim_until_its_lift() -> None:
    """During the first touch the aim is its step; after the lift it is the pull."""
    for number in range(BENCHES):
        rng = np.random.default_rng((106, number))
        moves, keys = touches(rng, 1, held_s=8.0)
        _, states = follow(rng, moves, keys, lasts_s=60.0)
        # Two seconds after the lift it is at rest; the key may be pressed before the lift.
        ready = [now for at_s, now in states if moves[0].at_s + 3.0 < at_s < moves[1].at_s - 0.4]

        assert all(now.tool.pull is None for now in ready)
        assert all(now.tool.aim == pytest.approx(PULL, abs=0.3 * PPB) for now in ready)
        assert all(abs(now.tool.aim - PULL) < 4.0 * now.tool.aim_u for now in ready)
        assert states[-1][1].tool.first is None
        assert states[-1][1].tool.pull is not None


def test_a_turn_that_is_not_confirmed_yet_does_not_spoil_the_first_touch() -> None:
    """Touched by 6 ppb, then turned by 100 ppb: readings come before the step is confirmed.

    The turn creeps so much that the confirmed step begins while the hand came to rest.
    """
    tool = ToolPull()
    at_s = at_rest(tool, 0.0, 0.0, 10.0)
    tool.touch(at_s, on=True)
    tool.step(Nudge(at_s + 0.25, 6 * PPB, 0.1 * PPB))
    at_s = at_rest(tool, at_s, 6 * PPB, 3.0)
    before = tool.state
    for back in range(8):
        tool.add(at_s + 0.25 * (back + 1), (96.0 + 0.5 * back) * PPB, 0.1 * PPB)
    unconfirmed = tool.state
    turn = tool.step(Nudge(at_s - 1.5, 91 * PPB, 0.1 * PPB, 3.25))

    assert turn is not None
    assert [one.aim for one in (before, unconfirmed, tool.state)] == pytest.approx([6 * PPB] * 3)
    assert unconfirmed.aim_u < 0.2 * PPB


def test_the_lift_after_a_turn_that_looks_like_it_is_the_lift() -> None:
    """Turned by -4 ppb, lifted 2 s later, pull 6 ppb: the later of the two steps fits better.

    Also when the turn is taken for the lift at first, as the key may be pressed late.
    """
    trimming, at_s, level = TrimTracker(1 * PPB, None), 0.0, 0.0

    def stand(seconds: float, nudge: Nudge | None = None) -> None:
        nonlocal at_s
        for count in range(int(4 * seconds)):
            at_s += 0.25
            confirmed = nudge if count == 0 else None
            now = Numbers(
                estimate=Estimate(level, 0.03 * PPB, 9, 2.0),
                noise=0.1 * PPB,
                last_nudge=nudge,
                confirmed_nudge=confirmed,
            )
            trimming.add(at_s, level, now)

    def touch(*, on: bool) -> None:
        now = Numbers(estimate=Estimate(level, 0.03 * PPB, 9, 2.0), noise=0.1 * PPB)
        trimming.touch(at_s, now, on=on)

    stand(10.0)
    touch(on=True)
    level += 6 * PPB
    stand(6.0, Nudge(at_s + 0.25, 6 * PPB, 0.1 * PPB))
    level -= 4 * PPB
    turn = Nudge(at_s + 0.25, -4 * PPB, 0.1 * PPB)
    stand(2.0, turn)
    touch(on=False)
    level -= 6 * PPB
    stand(10.0, Nudge(at_s + 0.25, -6 * PPB, 0.1 * PPB))

    assert trimming.tool.pull is not None
    assert trimming.tool.pull.size == pytest.approx(6 * PPB, abs=0.1 * PPB)
    assert trimming.by_tool
    assert trimming.add(at_s, level, Numbers()).turn == turn


def test_a_first_touch_is_confirmed_by_the_levels_when_the_lifts_step_has_creep() -> None:
    """Touched by 6 ppb; the creep of the turns is part of the lift's step."""
    tool = ToolPull()
    at_s = at_rest(tool, 0.0, 0.0, 10.0)
    tool.touch(at_s, on=True)
    tool.step(Nudge(at_s + 0.25, 6 * PPB, 0.1 * PPB))
    at_s = at_rest(tool, at_s, 6 * PPB, 3.0)
    tool.step(Nudge(at_s + 0.25, 50 * PPB, 0.1 * PPB))
    at_s = at_rest(tool, at_s, 60 * PPB, 4.0)
    tool.touch(at_s, on=False)
    known = tool.step(Nudge(at_s + 0.25, -2 * PPB, 0.1 * PPB))
    doubted = tool.state.pull
    at_rest(tool, at_s, 54 * PPB, 4.0)

    assert known is not None
    assert doubted is None
    assert tool.state.pull is not None
    assert tool.state.pull.size == pytest.approx(6 * PPB, abs=0.1 * PPB)


def test_a_hand_that_comes_to_rest_is_no_creep() -> None:
    """After a lift no level at rest is forecast, and no creep is learned from it."""
    known = 0
    for number in range(BENCHES):
        rng = np.random.default_rng((107, number))
        moves, keys = touches(rng, 3, held_s=6.0)
        trimming = TrimTracker(1 * PPB, None)
        _, states = follow(rng, moves, keys, lasts_s=100.0, trimming=trimming)
        known += sum(now.landing.reason.startswith("inside, but it creeps") for _, now in states)

    assert known <= 0.001 * BENCHES * 400
