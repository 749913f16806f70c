"""The trim, the event log and the slow statistics of the pipeline."""

from dataclasses import replace
from math import nan

import numpy as np
import pytest

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.estimate.results import Estimate, Nudge, Numbers, Rest, Settle, SettleLimit
from benchwatch.estimate.trim.mean_pull import MeanPull
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.pipeline.event_log import EventLog, settled_words, tolerance_words
from benchwatch.pipeline.history import History
from benchwatch.pipeline.slow_statistics import StabilityTracker, elsewhere_now, warm_up_now
from benchwatch.pipeline.trim_tracker import TrimTracker
from benchwatch.reading import INTERNAL_TIMEBASE, Gap, Reading
from benchwatch.snapshot import LoggedEvent, Trace, WarmUp

PPB = 1e-9


def numbers(offset: float, nudge: Nudge | None = None) -> Numbers:
    """Return the numbers after a reading."""
    return Numbers(estimate=Estimate(offset, 0.02 * PPB, 10, 10.0), confirmed_nudge=nudge)


def reading(elapsed_s: float, flags: frozenset[str] = frozenset()) -> Reading:
    """Return a reading."""
    return Reading(
        counter="main",
        utc_s=1e9 + elapsed_s,
        elapsed_s=elapsed_s,
        gate_s=1.0,
        text="1e7",
        frequency_hz=1e7,
        offset_hz=0.0,
        offset=0.0,
        resolution_hz=0.0,
        flags=flags,
    )  # type: ignore[arg-type]


def test_a_turn_gives_a_hint_and_freezes_as_found() -> None:
    """40 ppb found, 10 left after a turn by -30: the hint is a third of it."""
    trimming = TrimTracker(1 * PPB, None)
    for second in range(10):
        trimming.add(float(second), 40 * PPB, numbers(40 * PPB))
    after = trimming.add(10.0, 10 * PPB, numbers(10 * PPB, Nudge(10.0, -30 * PPB, 0.03 * PPB)))
    trimming.add(11.0, 10 * PPB, numbers(10 * PPB))

    assert after.direction == "high"
    assert after.hint is not None
    assert after.hint.times == pytest.approx(1 / 3)
    assert after.hint.left == pytest.approx(-10 * PPB)
    assert after.hint.left_u == pytest.approx(0.02 * PPB)
    assert after.turn == Nudge(10.0, -30 * PPB, 0.03 * PPB)
    assert trimming.found is not None
    assert trimming.found.frozen
    assert trimming.found.estimate.offset == 40 * PPB


def test_during_a_creep_all_advice_is_from_the_level_at_rest() -> None:
    """12 ppb now, 8 at rest: the way left is 8 ppb, and the creep is part of the turn."""
    trimming = TrimTracker(1 * PPB, None)
    for second in range(10):
        trimming.add(float(second), 40 * PPB, numbers(40 * PPB))
    nudge = Nudge(10.0, -28 * PPB, 0.03 * PPB)
    trimming.add(10.0, 12 * PPB, numbers(12 * PPB, nudge))
    creeping = replace(
        numbers(12 * PPB),
        last_nudge=replace(nudge, size=-32 * PPB, u=0.1 * PPB),
        rest=Rest(8 * PPB, 0.1 * PPB, 15.0, 5, 5.0),
    )
    now = trimming.add(15.0, 11 * PPB, creeping)

    assert now.hint is not None
    assert now.hint.left == pytest.approx(-8 * PPB)
    assert now.hint.times == pytest.approx(0.25)
    assert now.turn == creeping.last_nudge
    assert now.judgement is not None
    assert now.judgement.needed_u == pytest.approx(0.8 * PPB)
    assert trimming.add(16.0, 1e-9, replace(creeping, rest=Rest(0.0, PPB, 9.0))).direction == (
        "inside"
    )


@pytest.mark.parametrize("by_tool", [False, True])
def test_the_two_times_of_a_nudge_are_those_of_the_nudge(by_tool: bool) -> None:
    """Made at 2 s and confirmed with the reading at 4 s; a step of the tool is labelled so."""
    notes, nudge = EventLog(), Nudge(2.0, 8 * PPB, PPB)
    told = reading(4.0)
    notes.add_reading(told, Numbers(confirmed_nudge=nudge, last_nudge=nudge), by_tool=by_tool)

    (note,) = notes.newest
    assert note.elapsed_s == 2.0
    assert note.utc_s == told.utc_s - 2.0
    assert note.text == ("by the tool" if by_tool else "")


def test_the_entry_of_a_nudge_is_refined_during_a_creep() -> None:
    """Its size grows during a creep; other entries stay."""
    notes, nudge = EventLog(), Nudge(2.0, 8 * PPB, PPB)
    first = Numbers(confirmed_nudge=nudge, last_nudge=nudge)
    notes.add_reading(reading(2.0), first, by_tool=False)
    notes.add_text(1e9, 3.0, "mark", "lid on")
    grown = replace(nudge, size=9 * PPB)
    for _ in range(2):
        notes.add_reading(reading(4.0), Numbers(last_nudge=grown), by_tool=False)

    assert [one.kind for one in notes.newest] == ["nudge", "mark"]
    assert notes.newest[0].nudge == grown


def test_a_refined_nudge_takes_few_journal_entries() -> None:
    """A creep refines -28 ppb to -32 in forty small steps: the last size is journaled."""
    kept: list[LoggedEvent] = []
    log = EventLog(kept.append)
    nudge = Nudge(10.0, -28 * PPB, PPB)
    log.add_reading(reading(12.0), numbers(0.0, nudge), by_tool=False)
    for step in range(1, 41):
        refined = replace(nudge, size=(-28 - 0.1 * step) * PPB)
        log.add_reading(
            reading(12.0 + step), replace(numbers(0.0), last_nudge=refined), by_tool=False
        )
    for second in range(60, 70):
        log.add_reading(
            reading(float(second)), replace(numbers(0.0), last_nudge=refined), by_tool=False
        )

    last = kept[-1].nudge
    assert last is not None
    assert last.size == pytest.approx(-32 * PPB)
    assert {(one.kind, one.elapsed_s) for one in kept} == {("nudge", 10.0)}
    assert 2 <= len(kept) <= 25


def test_a_refined_nudge_is_kept_before_the_next_one() -> None:
    """When a second turn comes before the first size is final, both are journaled in order."""
    kept: list[LoggedEvent] = []
    log = EventLog(kept.append)
    first, refined = Nudge(10.0, -28 * PPB, 0.5 * PPB), Nudge(10.0, -28.05 * PPB, 0.5 * PPB)
    log.add_reading(reading(12.0), numbers(0.0, first), by_tool=False)
    log.add_reading(reading(13.0), replace(numbers(0.0), last_nudge=refined), by_tool=False)
    log.add_reading(reading(14.0), numbers(0.0, Nudge(14.0, PPB, PPB / 2)), by_tool=False)

    assert [one.nudge and one.nudge.size for one in kept] == [-28 * PPB, -28.05 * PPB, PPB]


def test_a_nudge_is_journaled_with_the_size_that_the_next_one_has_shown() -> None:
    """-28 ppb, refined to -33: that was a part of the turn at 14 s, without it -29 ppb are left.

    The size of the second on record is the one that adds up with it.
    """
    kept: list[LoggedEvent] = []
    log = EventLog(kept.append)
    first, second = Nudge(10.0, -28 * PPB, 0.5 * PPB), Nudge(14.0, -6 * PPB, 0.5 * PPB)
    grown, revised = replace(first, size=-33 * PPB), replace(first, size=-29 * PPB)
    on_record = replace(second, size=-5 * PPB)
    log.add_reading(reading(12.0), numbers(0.0, first), by_tool=False)
    log.add_reading(reading(13.0), replace(numbers(0.0), last_nudge=grown), by_tool=False)
    shown = replace(numbers(0.0, second), last_nudge=on_record, revised_nudge=revised)
    log.add_reading(reading(16.0), shown, by_tool=False)
    log.add_reading(reading(17.0), replace(numbers(0.0), last_nudge=on_record), by_tool=False)

    assert [one.nudge for one in log.newest] == [revised, on_record]
    assert [one.nudge for one in kept] == [first, grown, revised, second, on_record]


def test_the_hint_goes_by_the_size_that_the_next_nudge_has_shown() -> None:
    """The usual size of turns is learned from sizes as they are on record."""
    trimming = TrimTracker(1 * PPB, None)
    trimming.add(0.0, 40 * PPB, numbers(40 * PPB))
    at_s, offset = 1.0, 40.0
    before: Nudge | None = None
    for _ in range(4):
        offset -= 8.0
        now = numbers(offset * PPB, Nudge(at_s, -9 * PPB, 0.1 * PPB))
        revised = None if before is None else replace(before, size=-8 * PPB)
        trim = trimming.add(at_s, offset * PPB, replace(now, revised_nudge=revised))
        before, at_s = now.confirmed_nudge, at_s + 10.0

    assert trim.turns is not None
    assert trim.turns.usual == pytest.approx(8 * PPB)


def test_the_tool_is_no_turn_and_moves_the_aim() -> None:
    """A pull of 5 ppb, known from an earlier touch, is the aim while the tool is on."""
    trimming = TrimTracker(1 * PPB, None)
    trimming.add(0.0, 0.0, numbers(0.0))
    trimming.touch(1.0, numbers(0.0), on=True)
    trimming.add(2.0, 5 * PPB, numbers(5 * PPB, Nudge(2.0, 5 * PPB, 0.03 * PPB)))
    trimming.touch(11.0, numbers(5 * PPB), on=False)
    trimming.add(12.0, 0.0, numbers(0.0, Nudge(12.0, -5 * PPB, 0.03 * PPB)))
    trimming.touch(21.0, numbers(0.0), on=True)
    now = trimming.add(22.0, 5 * PPB, numbers(5 * PPB, Nudge(22.0, 5 * PPB, 0.03 * PPB)))

    assert now.direction == "inside"
    assert now.hint is None
    assert now.turn is None
    assert now.landing is not None
    assert now.landing.state == "outside"
    assert trimming.found is not None
    assert not trimming.found.frozen


def test_the_log_holds_each_event_once_with_its_time() -> None:
    """A mark, a gap, a nudge, a verdict and a lost reference, in order."""
    notes = EventLog()
    settled = Settle("settled", 5.0, None)
    notes.add_text(1e9, 1.0, "mark", "lid on\x1b[2J")
    notes.add_reading(reading(2.0), Numbers(confirmed_nudge=Nudge(2.0, PPB, None)), by_tool=False)
    notes.add_reading(reading(3.0), Numbers(settle=settled), by_tool=False)
    notes.add_reading(reading(4.0), Numbers(settle=settled), by_tool=False)
    notes.add_gap(
        Gap(counter="main", utc_s=1e9, elapsed_s=5.0, lasted_s=6.2, reason="no reply within 2.5 s")
    )
    internal = frozenset({INTERNAL_TIMEBASE})
    notes.add_reading(reading(12.0, internal), Numbers(settle=settled), by_tool=False)

    assert [(now.kind, now.elapsed_s) for now in notes.newest] == [
        ("mark", 1.0), ("nudge", 2.0), ("settle", 3.0), ("gap", 5.0), ("caution", 12.0),
    ]  # fmt: skip
    assert "\x1b" not in notes.newest[0].text
    assert "6.2 s" in notes.newest[3].text


def test_the_log_is_in_the_order_of_times() -> None:
    """A gap is added at its end and dated at its beginning, so before the entries during it."""
    notes = EventLog()
    notes.add_text(1e9 + 1, 1.0, "setting", "nominal 10 MHz")
    notes.add_text(1e9 + 9, 9.0, "record", "as left")
    notes.add_text(1e9 + 9, 9.0, "mark", "lid on")
    notes.add_gap(
        Gap(
            counter="main",
            utc_s=1e9 + 5,
            elapsed_s=5.0,
            lasted_s=6.2,
            reason="no reply within 2.5 s",
        )
    )

    assert [(one.elapsed_s, one.kind) for one in notes.newest] == [
        (1.0, "setting"), (5.0, "gap"), (9.0, "record"), (9.0, "mark"),
    ]  # fmt: skip


def test_deviations_skip_gaps() -> None:
    """White noise of 1e-10: OADEV at one interval is the sd; a gap adds no difference."""
    rng = np.random.default_rng(20)
    deviations, buffer = StabilityTracker(), History()
    for index, y in enumerate(rng.normal(0.0, 1e-10, 4000)):
        elapsed_s = 0.5 * index + (100.0 if index >= 2000 else 0.0)
        if index == 2000:
            deviations.gap()
            buffer.gap(100.0)
        deviations.add(elapsed_s, y + (1e-6 if index >= 2000 else 0.0))
        buffer.add(elapsed_s, y + (1e-6 if index >= 2000 else 0.0))
    now = deviations.now(buffer)
    first = next(one for one in now.deviations if one.deviation == "oadev")

    assert first.tau_s == 0.5
    assert first.value == pytest.approx(1e-10, rel=0.05)
    assert now.readings == 4000
    assert now.dither is not None
    assert now.dither.sd == pytest.approx(1e-10, rel=0.2)


def test_a_linear_drift_is_removed() -> None:
    """ADEV of a drift D is D·τ/√2 (NIST SP 1065, 5.2); without it only the noise is left."""
    rng = np.random.default_rng(21)
    deviations, buffer = StabilityTracker(), History()
    for index, y in enumerate(rng.normal(0.0, 1e-12, 2000)):
        deviations.add(float(index), y + 1e-11 * index)
        buffer.add(float(index), y + 1e-11 * index)
    now = deviations.now(buffer)
    with_drift = {one.tau_s: one.value for one in now.deviations if one.deviation == "oadev"}
    without = {one.tau_s: one.value for one in now.without_drift if one.deviation == "oadev"}

    assert with_drift[256.0] == pytest.approx(1e-11 * 256 / 2**0.5, rel=0.01)
    assert without[256.0] < 1e-12


def test_a_few_readings_have_no_deviations_yet() -> None:
    """Deviations of too few readings are shown as unknown."""
    deviations = StabilityTracker()
    deviations.add(0.0, 1e-9)

    now = deviations.now(History())

    assert now.deviations == ()
    assert now.dither is None


def test_elsewhere_is_the_same_fraction_and_other_hertz() -> None:
    """24 mHz at 10 MHz is 240 mHz at 100 MHz and the same 2.4 ppb (common practice, no source)."""
    now = elsewhere_now(Estimate(2.4e-9, 1e-10, 9, 9.0), 1e7, [1e8])

    assert now is not None
    assert now.rows[0].offset_hz == pytest.approx(0.24)
    assert [row.frequency_hz for row in now.rows] == [1e8, 1.0]
    assert now.gain_s_per_day == pytest.approx(2.4e-9 * 86400)
    assert elsewhere_now(None, 1e7) is None
    assert elsewhere_now(Estimate(0.0, None, 1, 1.0), nan) is None


def test_the_fitted_curve_goes_through_the_readings_and_on() -> None:
    """An exponential of 100 ppb and 60 s: the curve lies on it, and ends at the level."""
    live = LiveEstimate(settle=SettleLimit(1e-9, 60.0))
    rng = np.random.default_rng(3)
    for second in range(240):
        offset = 5e-9 + 100e-9 * np.exp(-second / 60.0) + rng.normal(0.0, 2e-11)
        live.add(float(second), float(offset))
    now = warm_up_now(WarmUp(limit=SettleLimit(1e-9, 60.0)), live.warm_up_fit(), 239.0)

    assert now.end == pytest.approx(5e-9, abs=5e-10)
    assert now.curve.elapsed_s[-1] > 300.0
    for elapsed_s, offset in zip(now.curve.elapsed_s, now.curve.offset, strict=True):
        assert offset == pytest.approx(5e-9 + 100e-9 * np.exp(-elapsed_s / 60.0), abs=5e-10)


def test_without_a_fit_there_is_no_curve() -> None:
    """An old curve is removed once no fit is valid."""
    was = WarmUp(curve=Trace((0.0,), (1e-9,)), end=1e-9, end_u=1e-10)

    assert warm_up_now(was, None, 10.0) == WarmUp()


def test_limits_are_written_without_sign_and_spare_zeros() -> None:
    """A limit applies to both sides and is exact."""
    assert tolerance_words(5 * PPB) == "tolerance 5 ppb"
    assert tolerance_words(2.5e-5) == "tolerance 25 ppm"
    said = settled_words(SettleLimit(PPB, 600.0))
    assert said == "settled means: moves by less than 1 ppb in 10 min"


def test_a_settle_verdict_is_noted_with_the_offset_at_that_time() -> None:
    """A new verdict is one entry, with the estimate of the reading that brought it."""
    log = EventLog()
    settled = Settle("settled", 1.0, None)
    for state, at_s in ((settled, 1.0), (settled, 2.0), (Settle("warming", None, 60.0), 3.0)):
        now = replace(numbers(12.04 * PPB), settle=state)
        log.add_reading(reading(at_s), now, by_tool=False)
    unknown = replace(numbers(0.0), estimate=None, settle=settled)
    log.add_reading(reading(4.0), unknown, by_tool=False)

    assert [(one.kind, one.text) for one in log.newest] == [
        ("settle", "settled at +12.040 ± 0.020 ppb"),
        ("settle", "moving by more than asked, at +12.040 ± 0.020 ppb"),
        ("settle", "settled"),
    ]


def test_each_new_step_of_the_tool_is_noted_with_what_it_pulls_by() -> None:
    """A refined mean of the same steps is no news, nor is the pull that a run goes on with."""
    log = EventLog()
    pulls = (None, MeanPull(3.0 * PPB, 0.2 * PPB, 2), MeanPull(3.1 * PPB, 0.1 * PPB, 2))
    more = MeanPull(3.02 * PPB, 0.11 * PPB, 3)
    for second, pull in enumerate((*pulls, more)):
        log.add_pull(reading(float(second)), ToolState(on=False, pull=pull))

    assert [one.text for one in log.newest] == [
        "pulls by +3.00 ± 0.20 ppb, from 2 steps",
        "pulls by +3.02 ± 0.11 ppb, from 3 steps",
    ]
