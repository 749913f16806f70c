"""As found is kept without a request."""

import numpy as np
from made_touches import SIGMA, Move, follow
from seed_kit import unseen_seed

from benchwatch.estimate.results import Drift, Estimate, Nudge, Numbers, Settle, SettleLimit
from benchwatch.estimate.trim.as_found import AsFound
from benchwatch.pipeline.trim_tracker import TrimTracker

LIMIT = SettleLimit(1e-9, 600.0)
TURN = Nudge(9.5, -2.5e-8, 1e-11)


def numbers(
    offset: float,
    *,
    readings: int = 5,
    suspect: bool = False,
    settle: str = "settled",
    drift_per_s: float = 0.0,
) -> Numbers:
    """Return the numbers after a reading."""
    return Numbers(
        estimate=Estimate(offset, 1e-11, readings, 5.0),
        drift=Drift(drift_per_s, 1e-14, 60.0),
        settle=Settle(settle, 1.0, None),  # type: ignore[arg-type]
        suspect=suspect,
    )


def after(nudge: Nudge, *, settle: str, drift_per_s: float, tool_on: bool = False) -> AsFound:
    """Return as found after an oscillator in this state has shown `nudge`."""
    found = AsFound(LIMIT)
    for second in range(20):
        found.add(float(second), numbers(3e-8, settle=settle, drift_per_s=drift_per_s))
    found.turn(nudge, tool_on=tool_on)
    return found


def test_the_stretch_before_the_first_nudge_stays() -> None:
    """The reading that jumps is not in it, nor any reading after the freeze."""
    found = AsFound()
    found.add(1.0, numbers(3e-8))
    found.add(2.0, numbers(5e-9, readings=1, suspect=True))
    found.turn(Nudge(2.0, -2.5e-8, 1e-11), tool_on=False)
    found.add(3.0, numbers(5e-9))

    assert found.quiet is not None
    assert found.quiet.frozen
    assert (found.quiet.elapsed_s, found.quiet.estimate.offset) == (1.0, 3e-8)
    assert found.quiet.settle == "settled"


def test_without_a_quiet_stretch_there_is_nothing_found() -> None:
    """Two readings, or an unknown uncertainty, are no stretch, also after a turn."""
    found = AsFound()
    found.add(1.0, numbers(3e-8, readings=2))
    found.add(2.0, Numbers(estimate=Estimate(3e-8, None, 9, 9.0)))
    found.add(3.0, Numbers())
    found.turn(TURN, tool_on=False)

    assert found.quiet is None
    assert found.missed


def test_stretches_after_a_turn_confirmed_late_are_dropped() -> None:
    """A small turn is confirmed some readings later, which are of the new level."""
    found = AsFound()
    for second in range(5):
        found.add(float(second), numbers(3e-8))
    for second in range(5, 9):
        found.add(float(second), numbers(2.9e-8))

    found.turn(Nudge(5.0, -1e-9, 1e-11), tool_on=False)
    found.turn(Nudge(1.0, -1e-9, 1e-11), tool_on=False)

    assert found.quiet is not None
    assert found.quiet.frozen
    assert (found.quiet.elapsed_s, found.quiet.estimate.offset) == (4.0, 3e-8)


def test_a_step_of_an_oven_that_comes_in_freezes_nothing() -> None:
    """It moves by 60 ppb over the horizon with a limit of 1 ppb, so a step of 25 may be its own.

    As found, once it has settled, holds that step as passed over.
    """
    found = after(TURN, settle="warming", drift_per_s=1e-10)
    found.add(1000.0, numbers(1.2e-8))

    assert not found.ended
    assert found.quiet is not None
    assert found.quiet.estimate.offset == 1.2e-8
    assert found.quiet.passed_over == TURN


def test_before_any_verdict_a_step_larger_than_the_motion_is_a_turn() -> None:
    """Moving by 3 ppb in 10 min, turned by 25: the last stretch before it is as found.

    Once it is known to be warming the tool has to be on.
    """
    found = after(TURN, settle="unsure", drift_per_s=5e-12)
    moving = after(TURN, settle="warming", drift_per_s=5e-12)

    assert found.quiet is not None
    assert found.quiet.frozen
    assert (found.quiet.elapsed_s, found.quiet.settle) == (9.0, "unsure")
    assert not moving.ended


def test_with_the_tool_on_a_step_is_a_turn_unless_the_oven_is_far_from_settled() -> None:
    """At 60 limits the operator's report counts; at 120 limits no present offset is as found."""
    near = after(TURN, settle="warming", drift_per_s=1e-10, tool_on=True)
    far = after(TURN, settle="warming", drift_per_s=2e-10, tool_on=True)

    assert near.ended
    assert not far.ended


def test_a_turn_before_anything_was_quiet_is_missed_for_good() -> None:
    """No offset after the first turn is as found, not even before the next one."""
    found = AsFound()
    found.turn(TURN, tool_on=False)
    found.add(20.0, numbers(5e-9))
    found.turn(Nudge(30.0, 1e-9, 1e-11), tool_on=False)

    assert found.quiet is None
    assert found.missed


def test_the_first_readings_of_an_oven_that_comes_in_miss_nothing() -> None:
    """A step before any quiet stretch is not taken for a turn while the oven has not settled."""
    found = AsFound(LIMIT)
    found.add(1.0, numbers(3e-8, readings=1, settle="unsure"))
    found.turn(Nudge(1.0, -2.5e-8, 1e-11), tool_on=False)
    found.add(900.0, numbers(1.2e-8))

    assert not found.missed
    assert found.quiet is not None
    assert found.quiet.passed_over is not None


def test_as_found_takes_nothing_of_fine_turns_before_the_first_nudge() -> None:
    """Turns of 3 to 8 σ, 1.5 to 4 s apart: as found is the 0 before the first, within 3.5 u.

    In 17 of twenty runs: a nudge is confirmed by the sum of several such turns.
    """
    rng, right = np.random.default_rng(unseen_seed()), 0
    for _ in range(20):
        at_s, size, moves = 50.0 + rng.uniform(), SIGMA * rng.uniform(3.0, 8.0), []
        for _ in range(4):
            moves.append(Move(at_s, -size * rng.uniform(0.8, 1.2)))
            at_s += rng.uniform(1.5, 4.0)
        trimming = TrimTracker(1e-9, None)
        follow(rng, moves, [], lasts_s=at_s + 15.0, trimming=trimming)
        found = trimming.found
        if found is not None and found.frozen:
            right += abs(found.estimate.offset) <= 3.5 * (found.estimate.u or 0.0)

    assert right >= 17


def test_small_turns_that_looked_like_a_drift_end_the_stretch() -> None:
    """Settled up to the first; the verdict was withdrawn before their sum was confirmed."""
    found = AsFound(LIMIT)
    for second in range(20):
        found.add(float(second), numbers(3e-8))
    for second in range(20, 40):
        found.add(float(second), numbers(2.8e-8, settle="warming", drift_per_s=-1e-10))
    found.turn(Nudge(19.5, -2e-9, 1e-10, 6.0), tool_on=False)

    assert found.quiet is not None
    assert (found.quiet.frozen, found.quiet.elapsed_s) == (True, 19.0)
