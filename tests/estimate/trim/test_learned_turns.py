"""Usual turn and backlash learned from the turns of a run, on made turns with known truth.

Invented data: a hand that turns as intended within 30 % (sd), a trimmer with or without backlash.
"""

import math

import numpy as np
import pytest
from seed_kit import unseen_seed

from benchwatch.estimate.results import Estimate, Nudge, Numbers
from benchwatch.estimate.trim.learned_turns import LearnedTurns
from benchwatch.pipeline.trim_tracker import TrimTracker

PPB = 1e-9
U = 0.05 * PPB


def turned(rng: np.random.Generator, backlash: float, turns: int) -> LearnedTurns:
    """Make `turns` turns by the way left, back and forth about nominal."""
    learned, way, slack, at_s = LearnedTurns(), 0.0, 0.0, 0.0
    for _ in range(turns):
        left = float(rng.choice((-1.0, 1.0)) * rng.uniform(3.0, 12.0)) * PPB
        learned.advise(at_s, left, U)
        meant = left + math.copysign(learned.lost(left) or 0.0, left)
        size = abs(meant) * (1.0 + 0.3 * float(rng.standard_normal()))
        if way * meant < 0.0:
            slack = backlash - slack
        way = math.copysign(1.0, meant)
        moved, slack = max(size - slack, 0.0), max(slack - size, 0.0)
        at_s += 10.0
        if moved > 6.0 * U:
            learned.add(Nudge(at_s, way * moved, U))
    return learned


def test_backlash_is_told_as_it_is() -> None:
    """Of 4 ppb, after twenty turns: known in most runs, and right within 3 u."""
    known = []
    for _ in range(40):
        now = turned(np.random.default_rng(unseen_seed()), 4 * PPB, 20).now
        if now is not None and now.backlash is not None and now.backlash_u is not None:
            known.append((now.backlash, now.backlash_u))

    assert len(known) >= 24
    errors = [(size - 4 * PPB) / u for size, u in known]
    assert sum(abs(error) <= 3.0 for error in errors) >= 0.9 * len(errors)


def test_where_there_is_no_backlash_none_is_told() -> None:
    """A hand with errors of 30 % turns less than intended half of the time."""
    known = 0
    for _ in range(100):
        now = turned(np.random.default_rng(unseen_seed()), 0.0, 12).now
        known += now is not None and now.backlash is not None

    assert known <= 5


def test_backlash_is_said_only_of_a_turn_that_reverses() -> None:
    """A turn the same way meets none; after a gap the last direction is unknown."""
    rng = np.random.default_rng(7)
    learned = turned(rng, 6 * PPB, 40)
    assert learned.now is not None
    assert learned.now.backlash is not None
    learned.add(Nudge(900.0, 8 * PPB, U))
    back, on = learned.lost(-1 * PPB), learned.lost(1 * PPB)
    learned.gap()

    assert back == learned.now.backlash
    assert on is None
    assert learned.lost(-1 * PPB) is None


def test_the_usual_nudge_is_the_median_while_turns_have_a_size_in_common() -> None:
    """Two turns are too few, three equal ones enough; widely different sizes give none."""
    learned = LearnedTurns()
    for place, size in enumerate((7.0, 8.0)):
        learned.add(Nudge(10.0 * place, size * PPB, U))
    two = learned.now
    learned.add(Nudge(30.0, -9.0 * PPB, U))
    three = learned.now
    learned.add(Nudge(40.0, 1.0 * PPB, U))
    smallest = learned.now
    wide = LearnedTurns()
    for place, size in enumerate((100.0, 30.0, 9.0, 3.0)):
        wide.add(Nudge(10.0 * place, size * PPB, U))

    assert two is None
    assert three is not None
    assert three.usual == pytest.approx(8.0 * PPB)
    assert three.spread == pytest.approx(1.4826 * PPB)
    assert smallest is not None
    assert smallest.smallest == pytest.approx(1.0 * PPB)
    assert wide.now is None


def test_turns_of_no_size_are_no_usual_nudge() -> None:
    """Where all readings have the same digits, a turn may be found that moved nothing."""
    learned = LearnedTurns()
    for place in range(4):
        learned.add(Nudge(10.0 * place, 0.0, 0.0))

    assert learned.now is None


def test_a_turn_that_was_the_lift_is_forgotten_until_it_is_given_back() -> None:
    """The learned sizes lose it with `withdraw` and get it back with `restore`."""
    learned = LearnedTurns()
    for place, size in enumerate((7.0, 8.0, 9.0)):
        learned.add(Nudge(10.0 * place, size * PPB, U))
    before = learned.now
    learned.withdraw()
    without = learned.now
    learned.restore()

    assert without is None
    assert learned.now == before


def test_an_interrupted_run_is_gone_on_with() -> None:
    """The sizes of its turns count, oldest first."""
    learned = LearnedTurns()
    learned.resume([7 * PPB, -8 * PPB, 9 * PPB])

    assert learned.now is not None
    assert learned.now.usual == pytest.approx(8.0 * PPB)
    assert learned.now.backlash is None


def test_the_hint_says_what_part_of_a_usual_nudge_is_left() -> None:
    """Turns of 7, 8 and 9 ppb in a run before; the next, of 8 ppb, leaves 2 ppb."""
    trimming = TrimTracker(1 * PPB, None)
    trimming.resume((), None, known=True, sizes=[7 * PPB, 8 * PPB, 9 * PPB])
    now = Numbers(
        Estimate(-2 * PPB, U, 8, 8.0), confirmed_nudge=Nudge(5.0, 8 * PPB, U), noise=0.1 * PPB
    )
    hint = trimming.add(6.0, -2 * PPB, now).hint

    assert hint is not None
    assert hint.of_usual == pytest.approx(0.25)
    assert hint.lost is None
