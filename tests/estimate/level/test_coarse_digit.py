"""A quiet oscillator on a counter with a coarse digit: turns are confirmed, u is of the digit."""

import json
import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_hard_levels import coarse
from pipeline_kit import reading
from program_kit import start_program
from seed_kit import unseen_seed

from benchwatch.estimate.level.last_digit import LastDigit
from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.rounding import digits_apart
from benchwatch.pipeline.budget_part import budget_part

NOTHING = 2.0**-52


def learn(readings: list[float], written: float) -> LastDigit:
    """Run `LastDigit` over readings, written with this last digit."""
    digit = LastDigit()
    for before, after in pairwise(readings):
        digit.add(after - before, written, NOTHING)
    return digit


def test_a_turn_of_a_quiet_oscillator_is_not_taken_for_the_digit(tmp_path: Path) -> None:
    """30 readings of 10000002.0 Hz and 60 of 10000000.0: one nudge of 200 ppb, and u of 0.1 Hz."""
    path = tmp_path / "turn.csv"
    rows = [f"{k},{10000002.0 if k < 30 else 10000000.0}" for k in range(90)]
    path.write_text("time_s,frequency_hz\n" + "\n".join(rows) + "\n")

    run = start_program("replay", str(path), "--json")
    out, err = run.communicate(timeout=60)

    assert run.returncode == 0, err
    lines = [line for line in map(json.loads, out.splitlines()) if line["kind"] == "reading"]
    (nudge,) = [line["nudge"] for line in lines if line["nudge"] is not None]
    assert nudge["at_s"] == 30.0
    assert nudge["size"] == pytest.approx(-2e-7, rel=0.01)
    assert lines[-1]["estimate"]["offset"] == pytest.approx(0.0, abs=1e-12)
    assert 0.1 / math.sqrt(12) <= lines[-1]["estimate"]["u"] * 1e7 < 0.1


def test_a_budget_begins_after_a_turn_of_a_quiet_oscillator() -> None:
    """The offset of a recorded run is that after the turn, or before it."""
    run = [reading(k, "10000002.0" if k < 30 else "10000000.0") for k in range(90)]

    left, found = budget_part(run), budget_part(run, "as found")

    assert (left.steady.readings, left.nudges) == (60, 1)
    assert (found.steady.readings, found.nudges) == (30, 1)


@pytest.mark.parametrize(("written", "drift"), [(1.0, 0.0), (0.05, 0.0), (1.0, 0.02)])
def test_turns_of_some_digits_are_told_at_once(written: float, drift: float) -> None:
    """Noise of 0.03 digits, turns of 5 to 60: confirmed within 10 readings, levels within a digit.

    The same where the counter writes twenty times finer than it resolves, and during a drift.
    """
    found = coarse(
        np.random.default_rng(unseen_seed()),
        5,
        noise=0.03,
        turns=(5.0, 60.0),
        written=written,
        drift=drift,
    )

    assert found.share >= 0.95
    assert found.within_a_digit >= 0.99
    assert float(np.median(found.u)) == pytest.approx(1.0 / math.sqrt(12.0), rel=0.2)
    assert written < 1.0 or (found.covered >= 0.95 and found.others <= 2)


def test_turns_of_two_digits_are_told_where_the_digits_show_them() -> None:
    """Rounding hides one digit at most: levels with an unused digit between them have moved."""
    found = coarse(np.random.default_rng(unseen_seed()), 5, noise=0.03, turns=(2.0, 5.0))

    assert found.share >= 0.9
    assert found.others <= 1


def test_a_coarser_digit_is_learnt_once_chance_does_not_explain_it() -> None:
    """Steps of 2.0 written to 0.1: not after one or two turns, but after three."""
    two = [0.0] * 5 + [14.0] * 5 + [4.0] * 5

    assert learn(two[:10], 0.1).learned == 0.0
    assert learn(two, 0.1).learned == 0.0
    assert learn([*two, 30.0, 30.0], 0.1).learned == pytest.approx(2.0)


def test_a_coarser_digit_is_likely_once_two_changes_agree_on_it() -> None:
    """One change is a multiple of itself, whatever the digit; a finer change rules it out."""
    assert learn([0.0, 2.0, 2.0], 0.1).likely == 0.0
    assert learn([0.0, 2.0, 2.0, 6.0], 0.1).likely == pytest.approx(2.0)
    assert learn([0.0, 2.0, 2.0, 6.0, 6.1], 0.1).likely == 0.0


def test_a_reading_written_with_fewer_digits_than_the_one_before_shows_no_digit() -> None:
    """It differs by less than its own last digit."""
    digit = LastDigit()
    digit.add(0.09, 1.0, NOTHING)

    assert (digit.learned, digit.likely) == (0.0, 0.0)


def sizes_of_nudges(digits: list[int], digit: float, written: float) -> list[float]:
    """Return the sizes, in digits, of the nudges in readings 0.05 s apart."""
    estimate = LiveEstimate(tolerance=1e-9)
    nudges = [
        estimate.add(0.05 * at, digit * one, gate_s=0.05, resolution=written).confirmed_nudge
        for at, one in enumerate(digits, 1)
    ]
    return [nudge.size / digit for nudge in nudges if nudge is not None]


@pytest.mark.parametrize(
    "wavering",
    [
        [0] * 8 + [1, 0, -1, -1] + [0] * 18 + [-1, -1, 0, 0, -1] + [0] * 7,
        [0] * 36 + [1] + [0] * 4 + [1, 0, 0, -1, 1, 1] + [0] * 7,
    ],
)
def test_a_level_that_wavers_by_the_digit_was_not_turned_there_and_back(
    wavering: list[int],
) -> None:
    """A counter writes half the digit that it resolves; both were recorded from a made one."""
    assert sizes_of_nudges(wavering, 2e-10, 1e-10) == []


def test_readings_after_a_turn_there_and_back_are_judged_as_any_others() -> None:
    """Such a turn is a nudge of size 0, and there is no part of its size that could creep."""
    there_and_back = [0] * 20 + [5, -7, 9, -3] + [0] * 13
    wavering = [-1, 1, 1, 0, 1, 1, 0, 0, 1, 0, -1, -1, 0, 0, 0, -1, 0, 0, 0, 0, 1, 1, 0, 0]

    assert sizes_of_nudges(there_and_back + wavering, 1e-10, 1e-10) == [0.0]
    assert sizes_of_nudges([*there_and_back, *[20] * 12], 1e-10, 1e-10) == pytest.approx([0, 20])


def test_a_turn_there_and_back_is_no_digit() -> None:
    """A wild reading or a touch that returns exactly is one change, not two."""
    assert learn([0.0, 0.0, 7.0, 0.0, 0.0, 0.0], 0.1).learned == 0.0


def test_a_counter_that_wavers_between_two_readings_shows_its_digit() -> None:
    """Turning back and forth between the same two readings many times is unlikely."""
    assert learn([0.0, 2.0] * 5, 0.1).learned == pytest.approx(2.0)


def test_a_steady_motion_shows_no_digit() -> None:
    """Equal changes in a row are a ramp."""
    assert learn([2.0 * k for k in range(60)], 0.1).learned == 0.0


@given(
    st.lists(st.integers(-1000, 1000), min_size=2, max_size=60),
    st.integers(1, 50),
    st.sampled_from([1e-13, 1e-9]),
)
def test_the_digit_divides_every_change(steps: list[int], coarser: int, written: float) -> None:
    """All changes are multiples of the learned digit, which is no finer than the written one."""
    digit = learn([written * coarser * step for step in steps], written)

    if digit.learned:
        assert digit.learned >= coarser * written * 0.99
        for step in steps:
            places = (step - steps[0]) * coarser * written / digit.learned
            assert abs(places - round(places)) < 0.01


@pytest.mark.parametrize(
    ("before", "after", "apart"),
    [
        ([3.0, 3.0, 3.0], [5.0, 5.0, 5.0], True),
        ([3.0, 3.0, 4.0], [6.0, 7.0, 6.0], True),
        ([5.0, 5.0, 5.0], [3.0, 3.0, 3.0], True),
        ([3.0, 3.0, 3.0], [4.0, 4.0, 4.0], False),
        ([3.0, 3.0, 4.0], [5.0, 5.0, 5.0], False),
        ([3.0, 5.0, 3.0], [8.0, 8.0, 8.0], False),
        ([3.0, 3.0, 3.0], [8.0, 8.0], False),
    ],
)
def test_levels_lie_apart_when_a_digit_between_them_is_never_shown(
    before: list[float], after: list[float], apart: bool
) -> None:
    """In both directions; a level on three digits is not quiet, and two readings are too few."""
    assert digits_apart(before, after, 1.0) is apart
