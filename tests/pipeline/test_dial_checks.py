"""Tests of checks at other dial settings: readings, walk, entries, and a resumed visit."""

import json
import math
from contextlib import closing
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from pipeline_kit import NOMINAL, START_UTC_S, reading

from benchwatch.counter import LinkStatus
from benchwatch.estimate.dial_check import DOES_NOT_FOLLOW, FOLLOWS
from benchwatch.journal import Journal
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.journal.resume import read_earlier
from benchwatch.pipeline.dial_checks import DialChecks
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.quantity import difference
from benchwatch.reading import DIALLED, OTHER_DIAL, Gap, Reading
from benchwatch.recording.journal_rows import SelectedRows
from benchwatch.run.bench_ranking import bench_state

SETTINGS = (100e6, 1e6)
RESOURCE = "TCPIP0::127.0.0.1::5025::SOCKET"
WIGGLE = (0, 2, -1, 1, -2, 1, 0, -1)
"""Last digits of readings that scatter a little."""


def plan(**changes: object) -> Plan:
    """Return the plan of a synthesizer with two settings to check."""
    made = Plan(name="main", resource=RESOURCE, nominal=NOMINAL, tolerance=4e-9, checks=SETTINGS)
    return replace(made, **changes)  # type: ignore[arg-type] # fields of a plan


def main_reading(number: int) -> Reading:
    """Return reading `number` at 10 MHz, 23.1 mHz high."""
    return reading(number, f"10000000.{231 + WIGGLE[number % 8]:04d}")


def other_reading(number: int, setting: int, miss: float = 0.0) -> Reading:
    """Return reading `number` at another setting: 2.31e-9 high, and off by `miss` beside that."""
    wiggle = WIGGLE[number % 8] * 1e-11
    text = f"{setting * (1 + Decimal(repr(2.31e-9 + miss + wiggle))):.6f}"
    offset_hz, offset = difference(Decimal(text), Decimal(setting))
    return replace(
        reading(number),
        text=text,
        frequency_hz=float(text),
        offset_hz=offset_hz,
        offset=offset,
        resolution_hz=1e-6,
        flags=frozenset({OTHER_DIAL}),
        dial_hz=float(setting),
    )


def settled(pipeline: Pipeline) -> None:
    """Give sixty readings at the main setting."""
    for number in range(60):
        pipeline.take(main_reading(number))


def checked(pipeline: Pipeline, miss: float = 0.0, setting: int = 100_000_000) -> None:
    """Open the walk, and give twenty readings at its first setting."""
    settled(pipeline)
    pipeline.change_checks(lambda checks: checks.begin([float(setting), 1e6]))
    for number in range(63, 83):
        pipeline.take(other_reading(number, setting, miss))
    pipeline.refresh()


def back(pipeline: Pipeline, number: int = 90) -> None:
    """Give the gap and the first readings at the main setting again."""
    first = main_reading(59)
    lasted_s = number - first.elapsed_s
    pipeline.take(
        Gap(
            counter="main", utc_s=first.utc_s, elapsed_s=first.elapsed_s, lasted_s=lasted_s,
            reason=f"{DIALLED} 100 MHz",
        )
    )  # fmt: skip
    pipeline.take(main_reading(number))


@pytest.mark.parametrize(("miss", "verdict"), [(0.0, FOLLOWS), (5e-9, DOES_NOT_FOLLOW)])
def test_verdict_on_an_output(miss: float, verdict: str) -> None:
    """An output that misses by more than a quarter of the tolerance is told from a sound one."""
    pipeline = Pipeline(plan())
    checked(pipeline, miss)
    now = pipeline.snapshot.checks

    assert now is not None
    assert (now.phase, now.dialled_hz) == ("reading", 100e6)
    check = now.rows[0].check
    assert check is not None
    assert check.verdict == verdict
    assert check.difference == pytest.approx(miss, abs=1e-11)
    assert check.readings == 19  # the first one after dialling is left out


def test_main_estimate_stands_still_while_dialled_elsewhere() -> None:
    """Readings at another setting change neither the offset nor the count nor the history."""
    pipeline = Pipeline(plan())
    settled(pipeline)
    before, trace = pipeline.snapshot, pipeline.trace(1e4, 1000)
    for number in range(63, 83):
        pipeline.take(other_reading(number, 100_000_000, 3e-8))
    now = pipeline.snapshot

    assert (now.numbers.estimate, now.readings) == (before.numbers.estimate, before.readings)
    assert now.reading == before.reading
    assert now.dialled_hz == 100e6
    assert pipeline.trace(1e4, 1000) == trace


def test_coming_back_is_a_gap_and_no_turn() -> None:
    """Back at the main setting a new level begins, no nudge is told, and the walk goes on."""
    pipeline = Pipeline(plan())
    checked(pipeline, miss=3e-8)
    back(pipeline)
    for number in range(91, 140):
        pipeline.take(replace(main_reading(number), offset=8e-9))
    now = pipeline.snapshot

    assert now.numbers.last_nudge is None
    assert now.numbers.estimate is not None
    assert now.numbers.estimate.offset == pytest.approx(8e-9, rel=0.05)
    assert now.dialled_hz is None
    assert now.checks is not None
    assert (now.checks.phase, now.checks.setting_hz) == ("dial", 1e6)
    assert now.records is None


def test_walk_ends_with_the_way_back() -> None:
    """After the last setting the unit is to be dialled back; stopping anywhere says so too."""
    pipeline = Pipeline(plan())
    checked(pipeline)
    pipeline.change_checks(DialChecks.stop)
    stopped = pipeline.snapshot.checks
    back(pipeline)
    now = pipeline.snapshot.checks

    assert stopped is not None
    assert stopped.phase == "back"
    assert "dial it back to 10 MHz" in stopped.instruction
    assert now is not None
    assert now.phase is None
    assert [row.words for row in now.rows] == [FOLLOWS, ""]


def test_finished_check_is_journaled_and_resumed(tmp_path: Path) -> None:
    """A killed watch leaves the check and where the unit was dialled to for the next one."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal:
        pipeline = Pipeline(plan(), journal=journal, utc_s=START_UTC_S)
        checked(pipeline)
        key = pipeline._journal.key
    earlier = read_earlier(path, [key], START_UTC_S + 200.0)
    assert earlier is not None
    again = Pipeline(plan(), utc_s=START_UTC_S + 200.0, earlier=earlier)
    now = again.snapshot.checks

    assert earlier.dialled_hz == 100e6
    assert [check.verdict for check in earlier.checks] == [FOLLOWS]
    assert max(abs(y) for y in earlier.trace.offset if math.isfinite(y)) < 1e-6
    assert now is not None
    assert now.phase == "back"
    assert now.rows[0].words == FOLLOWS


def test_recorded_readings_leave_out_other_settings(tmp_path: Path) -> None:
    """The rows of a journal hold no reading at another setting."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal:
        pipeline = Pipeline(plan(), journal=journal, utc_s=START_UTC_S)
        checked(pipeline)
        back(pipeline)
    with JournalReader(path) as reader:
        written = sum(len(p.readings) for run in reader.runs() for p in reader.portions(run))
    rows = [rows for chunk in SelectedRows(str(path), None).counters()[0] for _, rows in chunk]

    assert written == 81
    assert sum(len(one.line) for one in rows) == 61
    assert [gap.reason for one in rows for gap in one.gaps] == [f"{DIALLED} 100 MHz"]


def test_a_refined_check_comes_once_from_the_journal(tmp_path: Path) -> None:
    """The journal keeps both entries; a reader gets the newest of each check, and both walks."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal:
        pipeline = Pipeline(plan(), journal=journal, utc_s=START_UTC_S)
        checked(pipeline)
        for number in range(83, 120):
            pipeline.take(other_reading(number, 100_000_000))
        pipeline.change_checks(lambda checks: checks.begin([1e8]))
        for number in range(120, 140):
            pipeline.take(other_reading(number, 100_000_000))
        pipeline.change_checks(DialChecks.stop)
    with JournalReader(path) as reader:
        (run,) = reader.runs()
        written = [json.loads(text)["readings"] for _, text in reader.notes(run, "dial check")]
    rows = [rows for chunk in SelectedRows(str(path), None).counters()[0] for _, rows in chunk]
    documents = [action[1] for one in rows for _, _, action in one.marks if type(action) is tuple]

    assert len(written) == 4
    assert written[0] < written[1] == 56
    assert [json.loads(text)["readings"] for text in documents] == [written[1], written[3]]


def test_note_of_a_check_holds_its_numbers(tmp_path: Path) -> None:
    """The journal's note has setting, difference, U, limit and verdict as JSON."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal:
        pipeline = Pipeline(plan(), journal=journal, utc_s=START_UTC_S)
        checked(pipeline)
    with JournalReader(path) as reader:
        (document,) = reader.ask("SELECT document FROM notes WHERE kind = 'dial check'", ())[0]
    values = json.loads(document)

    assert values["setting_hz"] == 100e6
    assert values["verdict"] == FOLLOWS
    assert values["limit"] == 1e-9
    assert values["expanded"] > values["u"] > 0


def test_readings_at_the_setting_before_are_no_alarm() -> None:
    """The next setting waits to be dialled: the row says where the unit still is."""
    pipeline = Pipeline(plan())
    checked(pipeline)
    pipeline.change_checks(DialChecks.open_next)
    for number in range(83, 90):
        pipeline.take(other_reading(number, 100_000_000))
    now = pipeline.snapshot

    assert now.checks is not None
    assert (
        now.checks.instruction == "Dial the unit to 1 MHz (2 of 2): still at 100 MHz. Then Enter."
    )
    assert (now.checks.phase, now.dialled_hz) == ("dial", 1e8)
    assert now.checks.rows[1].check is None
    assert bench_state(replace(now, link=LinkStatus("reading", 0.0)), 150.0) == "unsure"


@pytest.mark.parametrize(
    ("tolerance", "begins"),
    [
        (4e-9, "Dial the unit to 100 MHz. Then Enter."),
        (1e-11, "Wait: main offset good to ±"),
        (None, "Dial the unit to 100 MHz. Then Enter."),
    ],
)
def test_before_dialling_it_is_said_that_no_verdict_can_come(
    tolerance: float | None, begins: str
) -> None:
    """U of the main offset is about 6e-12: enough for a quarter of 4e-9, not of 1e-11."""
    pipeline = Pipeline(plan(tolerance=tolerance))
    settled(pipeline)
    pipeline.change_checks(lambda checks: checks.begin([1e8]))
    now = pipeline.snapshot.checks

    assert now is not None
    assert now.instruction.startswith(begins)


def test_an_offset_of_a_few_readings_foretells_nothing() -> None:
    """What the oscillator moves by is not known at all yet: no number is said."""
    pipeline = Pipeline(plan())
    for number in range(12):
        pipeline.take(main_reading(number))
    pipeline.change_checks(lambda checks: checks.begin([1e8]))
    now = pipeline.snapshot.checks

    assert now is not None
    assert (
        now.instruction
        == "Wait: the main offset is not known well enough yet. Then dial to 100 MHz."
    )


def test_while_another_counter_checks_the_unit_nothing_is_to_be_dialled_here() -> None:
    """The state says where the unit is dialled to; once that walk is over it is to go back."""
    pipeline, walker = Pipeline(plan()), ["spare"]
    pipeline.checks.walked_by = lambda: walker[0]
    settled(pipeline)
    pipeline.take(other_reading(63, 100_000_000))
    followed = pipeline.snapshot.checks
    walker[0] = ""
    pipeline.take(other_reading(64, 100_000_000))
    afterwards = pipeline.snapshot.checks

    assert followed is not None
    assert afterwards is not None
    assert (followed.phase, followed.cautions, followed.dialled_hz) == (None, (), 1e8)
    assert (
        followed.instruction
        == "The unit is dialled to 100 MHz: spare checks it, nothing to do here."
    )
    assert afterwards.phase == "back"


def test_overrange_is_said_in_the_row() -> None:
    """A counter that reads nothing usable at the setting says so."""
    pipeline = Pipeline(plan())
    settled(pipeline)
    pipeline.change_checks(lambda checks: checks.begin([100e6]))
    over = replace(main_reading(61), flags=frozenset({"overrange"}))
    after = pipeline.take(over)
    now = pipeline.snapshot.checks

    assert now is not None
    assert now.rows[0].words == "counter can't count it"
    assert after.corrected(over) is over  # and in lines it is that reading, not the one before


def test_dial_note_is_written_for_both_ways(tmp_path: Path) -> None:
    """A run that was back at the main setting is resumed there."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal:
        pipeline = Pipeline(plan(), journal=journal, utc_s=START_UTC_S)
        checked(pipeline)
        back(pipeline)
        key = pipeline._journal.key
    earlier = read_earlier(path, [key], START_UTC_S + 200.0)

    assert earlier is not None
    assert earlier.dialled_hz is None


def test_typed_readings_come_back_without_a_gap() -> None:
    """Typed readings have no gaps; back at the main setting a new level begins all the same."""
    pipeline = Pipeline(plan())
    checked(pipeline)
    for number in range(90, 130):
        pipeline.take(replace(main_reading(number), offset=8e-9))
    now = pipeline.snapshot

    assert now.numbers.last_nudge is None
    assert now.numbers.estimate is not None
    assert now.numbers.estimate.offset == pytest.approx(8e-9, rel=0.05)
    assert now.checks is not None
    assert now.checks.rows[0].words == FOLLOWS


def test_finished_check_is_noted_once() -> None:
    """The event log has one line a check, though the verdict goes on record before that."""
    pipeline = Pipeline(plan())
    checked(pipeline)
    back(pipeline)
    noted = [one.text for one in pipeline.snapshot.logged_events or () if one.kind == "check"]

    assert len(noted) == 1
    assert noted[0].startswith("at 100 MHz: follows, by ")


def test_a_verdict_under_another_tolerance_says_its_limit() -> None:
    """A finished check keeps its verdict; a tolerance set later does not make it one of its own."""
    pipeline = Pipeline(plan(tolerance=100e-9))
    checked(pipeline, miss=5e-9)
    back(pipeline)
    pipeline.refresh()
    before = pipeline.snapshot.checks
    pipeline.set_limits(0.0, 91.0, tolerance=4e-9)
    pipeline.refresh()
    after = pipeline.snapshot.checks

    assert before is not None
    assert after is not None
    assert before.rows[0].words == "follows"
    assert after.rows[0].words == "follows (limit 25 ppb)"
