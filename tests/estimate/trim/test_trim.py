"""Judgement, hint, the tool's pull, landing and dither."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.estimate.dither import dither
from benchwatch.estimate.results import Drift, Estimate, Nudge, Numbers, Rest
from benchwatch.estimate.trim.landing import Landing
from benchwatch.estimate.trim.tool_pull import ToolPull
from benchwatch.estimate.trim.trim_hint import hint, judge, should_lift

PPB = 1e-9


def estimate(offset: float, u: float | None, readings: int = 10, span_s: float = 10.0) -> Estimate:
    """Return an estimate."""
    return Estimate(offset, u, readings, span_s)


def test_far_off_a_rough_number_is_good_enough() -> None:
    """A u of a tenth of the way left is enough; a finer estimate would only take time."""
    far = judge(estimate(50 * PPB, 4 * PPB), tolerance=1 * PPB)

    assert far.ready
    assert far.needed_u == pytest.approx(5 * PPB)
    assert far.wait_s == 0.0


def test_close_by_a_fifth_of_the_tolerance_is_needed() -> None:
    """White noise shrinks as the root of the readings: half the u takes four times as long."""
    close = judge(estimate(0.1 * PPB, 0.4 * PPB, readings=10, span_s=10.0), tolerance=1 * PPB)

    assert not close.ready
    assert close.needed_u == pytest.approx(0.2 * PPB)
    assert close.progress == pytest.approx(0.25)
    assert close.wait_s == pytest.approx(30.0)


def test_one_reading_alone_is_never_good_enough() -> None:
    """It may be a spike."""
    assert not judge(estimate(50 * PPB, 1 * PPB, readings=1, span_s=0.0), 1 * PPB).ready


def test_an_unknown_uncertainty_is_not_waited_for_in_seconds() -> None:
    """The wait is unknown."""
    assert judge(estimate(1 * PPB, None), 1 * PPB).wait_s is None


def test_an_undershoot_asks_for_the_rest() -> None:
    """The last nudge took 30 of 40 ppb away: a third of it again is needed."""
    told = hint(estimate(10 * PPB, 0.1 * PPB), Nudge(5.0, -30 * PPB, 0.3 * PPB))

    assert told is not None
    assert told.times == pytest.approx(1 / 3)
    assert told.u == pytest.approx(math.hypot(0.1, 0.1) / 30)


def test_an_overshoot_asks_for_a_part_of_it_back() -> None:
    """The sign shows the direction, for either direction of the last nudge."""
    told = hint(estimate(-10 * PPB, 0.1 * PPB), Nudge(5.0, -50 * PPB, 0.3 * PPB))

    assert told is not None
    assert told.times == pytest.approx(-0.2)


def test_there_is_no_hint_from_a_nudge_lost_in_noise_or_from_none() -> None:
    """A size that may be zero is no measure, nor is one a hundred times too short."""
    now = estimate(10 * PPB, 0.1 * PPB)

    assert hint(now, None) is None
    assert hint(now, Nudge(5.0, 0.1 * PPB, 0.1 * PPB)) is None
    assert hint(estimate(100 * PPB, 0.1 * PPB), Nudge(5.0, -0.5 * PPB, 0.01 * PPB)) is None


@pytest.mark.parametrize(
    ("began", "came", "course"),
    [
        (10.0, 15.0, "wrong way"),
        (-10.0, -15.0, "wrong way"),
        (0.3, 8.0, "wrong way"),
        (100.0, 100.5, "wrong way"),
        (10.0, -3.0, "too far"),
        (-3.0, 10.0, "too far"),
        (10.0, 0.1, "on"),
        (10.0, 4.0, "on"),
        (0.01, 5.0, "back"),
        (-0.01, 5.0, "back"),
    ],
)
@pytest.mark.parametrize("aim", [0.0, 6.0])
def test_away_from_the_aim_is_the_wrong_way_and_past_it_is_too_far(
    began: float, came: float, course: str, aim: float
) -> None:
    """Relative to any aim; for a nudge from within 2 u of it, neither."""
    now, turned = estimate((aim + came) * PPB, 0.05 * PPB), (came - began) * PPB

    told = hint(now, Nudge(5.0, turned, 0.05 * PPB), aim * PPB, 0.01 * PPB)

    assert told is not None
    assert told.course == course
    assert told.left == pytest.approx(-came * PPB)


@given(st.floats(0.01, 100), st.floats(-50, 50), st.floats(1, 50))
def test_a_hint_does_not_care_for_units_or_signs(scale: float, offset: float, size: float) -> None:
    """A factor on all sizes, or a change of all signs, does not change the hint."""
    first = hint(estimate(offset, 0.1), Nudge(0.0, size, 0.2))
    second = hint(estimate(-offset * scale, 0.1 * scale), Nudge(0.0, -size * scale, 0.2 * scale))

    assert (first is None) == (second is None)
    if first and second:
        assert second.times == pytest.approx(first.times, rel=1e-9)
        assert second.u == pytest.approx(first.u, rel=1e-9)


def test_far_away_two_readings_that_agree_well_enough_will_do() -> None:
    """During a creep no level stands for two readings: 2 ppb apart, 40 ppb to go."""
    one = Estimate(40 * PPB, 0.1 * PPB, 1, 1.0)

    assert not judge(one, 1 * PPB).ready
    assert judge(one, 1 * PPB, newest_difference=2 * PPB).ready
    assert not judge(one, 1 * PPB, newest_difference=5 * PPB).ready


def test_the_tool_is_lifted_inside_and_not_at_the_edge() -> None:
    """At a distance from the aim of 6 ppb, with a tolerance of 1 ppb, once the level has stood."""
    aim = 6 * PPB

    def results(away: float, readings: int = 6, span_s: float = 1.5) -> bool | None:
        return should_lift(Estimate(aim + away * PPB, 0.05 * PPB, readings, span_s), 1 * PPB, aim)

    assert [results(0.5), results(-0.9), results(1.1)] == [True, False, None]
    assert [results(0.5, 5), results(0.5, 4, 4.0), results(0.5, 3, 4.0)] == [None, True, None]


def test_steps_that_come_and_go_with_the_tool_are_its_pull() -> None:
    """On +3, off -3.2: a pull of 3.1 ppb, which is the aim while it is on the next time.

    During the first touch its step is the aim, and is not called a pull.
    """
    tool = ToolPull()
    tool.touch(10.0, on=True)
    claimed_on = tool.step(Nudge(11.0, 3.0 * PPB, 0.1 * PPB))
    turned = tool.step(Nudge(20.0, -8.0 * PPB, 0.1 * PPB))
    first = tool.state
    tool.touch(30.0, on=False)
    claimed_off = tool.step(Nudge(30.5, -3.2 * PPB, 0.1 * PPB))
    lifted_aim = tool.state.aim
    tool.touch(50.0, on=True)

    assert (claimed_on, turned, claimed_off) == (None, Nudge(20.0, -8.0 * PPB, 0.1 * PPB), None)
    assert first.pull is None
    assert (first.aim, lifted_aim) == (pytest.approx(3.0 * PPB), 0.0)
    assert tool.state.aim == pytest.approx(3.1 * PPB, rel=0.005)
    assert tool.state.pull is not None
    assert tool.state.pull.size == pytest.approx(3.1 * PPB, rel=0.005)
    # No reading at rest was added: either step may be a quarter too small.
    assert tool.state.pull.u == pytest.approx(0.25 * 3.1 * PPB / math.sqrt(2), rel=0.02)
    assert tool.state.pull.samples == 2


def test_a_step_seen_just_before_the_key_is_the_tools_too() -> None:
    """The tool may touch a moment before the key is pressed."""
    tool = ToolPull()
    turned = tool.step(Nudge(9.0, 3.0 * PPB, 0.1 * PPB))
    claimed = tool.touch(10.0, on=True)
    tool.touch(20.0, on=False)
    tool.step(Nudge(20.5, -3.0 * PPB, 0.1 * PPB))

    assert turned is not None
    assert claimed
    assert tool.state.pull is not None


def test_a_late_step_is_a_turn_and_a_repeated_report_changes_nothing() -> None:
    """Only steps near the touch are the tool's."""
    tool = ToolPull()
    tool.touch(10.0, on=True)
    tool.touch(12.0, on=True)

    assert tool.step(Nudge(17.0, 3.0 * PPB, 0.1 * PPB)) is not None
    assert tool.state.pull is None
    assert tool.state.since_s == 10.0


def numbers(offset: float, u: float = 0.05 * PPB, drift: Drift | None = None) -> Numbers:
    """Return the numbers of a quiet moment."""
    return Numbers(estimate=estimate(offset, u), drift=drift)


def test_landing_takes_a_quiet_stretch_inside() -> None:
    """Holding for the hold time, then landed."""
    landing = Landing(1 * PPB, hold_s=30.0)

    states = [landing.add(t, numbers(0.3 * PPB)).state for t in (0.0, 10.0, 29.0, 30.0, 40.0)]

    assert states == ["holding", "holding", "holding", "landed", "landed"]


@pytest.mark.parametrize(
    ("now", "tool_on", "reason"),
    [
        (numbers(1.2 * PPB), False, "outside"),
        (numbers(0.95 * PPB), False, "uncertainty"),
        (numbers(0.3 * PPB), True, "tool"),
        (Numbers(), False, "known"),
        (Numbers(estimate=estimate(0.0, None)), False, "known"),
    ],
)
def test_reasons_against_a_landing(now: Numbers, *, tool_on: bool, reason: str) -> None:
    """Outside, uncertain, the tool on, or unknown; each restarts the hold."""
    landing = Landing(1 * PPB, hold_s=30.0)
    landing.add(0.0, numbers(0.3 * PPB))
    broken = landing.add(20.0, now, tool_on=tool_on)

    again = landing.add(35.0, numbers(0.3 * PPB))

    assert broken.state == "outside"
    assert reason in broken.reason
    assert (again.state, again.held_s) == ("holding", 0.0)


def test_a_creep_out_of_the_tolerance_is_no_landing() -> None:
    """Inside now, but with a level at rest outside, or too near the limit."""
    landing = Landing(1 * PPB, hold_s=10.0)
    rests = [Rest(0.5 * PPB, 0.1 * PPB, 9.0), Rest(0.9 * PPB, 0.1 * PPB, 9.0)]
    results = [landing.add(5.0, replace(numbers(0.3 * PPB), rest=rest)) for rest in rests]

    assert [one.state for one in results] == ["holding", "outside"]
    assert results[1].reason == "inside, but it creeps and may rest outside"


def test_a_nudge_restarts_the_hold() -> None:
    """Also one that stays inside."""
    landing = Landing(1 * PPB, hold_s=30.0)
    landing.add(0.0, numbers(0.3 * PPB))

    nudged = Numbers(
        estimate=estimate(0.1 * PPB, 0.05 * PPB), confirmed_nudge=Nudge(29.0, -0.2 * PPB, None)
    )

    assert landing.add(29.0, nudged).held_s == 0.0
    assert landing.add(31.0, numbers(0.1 * PPB)).state == "holding"


def test_a_drift_out_of_the_tolerance_is_no_landing() -> None:
    """1e-12 a second is 0.6 ppb in ten minutes: from 0.5 ppb that is outside."""
    landing = Landing(1 * PPB, hold_s=10.0, outlook_s=600.0)
    drift = Drift(1e-12, 1e-13, 120.0)
    landing.add(0.0, numbers(0.5 * PPB, drift=drift))

    assert landing.add(20.0, numbers(0.5 * PPB, drift=drift)).state == "holding"
    assert "drift" in landing.add(21.0, numbers(0.5 * PPB, drift=drift)).reason
    assert landing.add(22.0, numbers(0.5 * PPB, drift=Drift(1e-12, 1e-12, 9.0))).state == "landed"


def test_dither_with_and_without_drift() -> None:
    """SP 1065's nine points (NIST, section 12.2): sd 100.97703 and slope -10.2, as printed."""
    y = np.array([892.0, 809, 823, 798, 671, 644, 883, 903, 677])
    t = np.arange(9.0)

    told = dither(t, y)

    assert told is not None
    assert told.sd == pytest.approx(100.97703259212518, rel=1e-14)
    assert told.peak_to_peak == 259.0
    residual = y - y.mean() + 10.2 * (t - 4)
    assert told.sd_without_drift == pytest.approx(math.sqrt(float(residual @ residual) / 7))


@given(st.floats(-1e-3, 1e-3), st.floats(0, 2e9))
def test_dither_does_not_care_where_zero_is(shift: float, epoch: float) -> None:
    """A large offset or a clock's epoch changes nothing; a nan reading is left out."""
    y = np.array([3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0]) * 1e-10
    t = np.arange(8.0)

    told = dither(np.append(t, 8.0) + epoch, np.append(y, np.nan) + shift)
    plain = dither(t, y)

    assert told is not None
    assert plain is not None
    assert told.readings == plain.readings == 8
    assert told.sd == pytest.approx(plain.sd, rel=1e-4)
    assert told.sd_without_drift == pytest.approx(plain.sd_without_drift, rel=1e-4)


@pytest.mark.parametrize("offset", [-499.75e-6, 1e-9 / 3, 0.0])
def test_equal_readings_have_no_dither(offset: float) -> None:
    """Not even in the last digit of a float, at any offset."""
    told = dither(np.arange(61.0), np.full(61, offset))

    assert told is not None
    assert (told.peak_to_peak, told.sd, told.sd_without_drift) == (0.0, 0.0, 0.0)


def test_two_readings_have_no_dither() -> None:
    """A straight line through two points leaves nothing."""
    assert dither(np.array([0.0, 1.0]), np.array([1.0, 2.0])) is None
    assert dither(np.arange(5.0), np.full(5, np.nan)) is None


def test_the_pull_is_the_level_after_minus_the_level_before() -> None:
    """A hand comes to rest slowly: the nudge has 4.5 ppb, the levels on both sides differ by 6."""
    tool = ToolPull()
    for second in range(10):
        tool.add(float(second), 10 * PPB, 0.03 * PPB)
    tool.touch(10.0, on=True)
    tool.step(Nudge(10.5, 4.5 * PPB, 0.4 * PPB))
    for second in range(11, 30):
        tool.add(float(second), 14.5 * PPB if second < 12 else 16 * PPB, 0.03 * PPB)
    for second in range(30, 40):
        tool.add(float(second), 19 * PPB, 0.03 * PPB)
    tool.touch(40.0, on=False)
    tool.step(Nudge(40.5, -4.5 * PPB, 0.4 * PPB))
    early = tool.state.pull
    for second in range(41, 60):
        tool.add(float(second), 14.5 * PPB if second < 42 else 13 * PPB, 0.03 * PPB)

    assert early is not None
    assert early.u is not None
    assert early.size == pytest.approx(6 * PPB, abs=2 * early.u)
    assert tool.state.pull is not None
    assert tool.state.pull.size == pytest.approx(6 * PPB)
    assert tool.state.pull.u is not None
    assert tool.state.pull.u < 0.02 * PPB
