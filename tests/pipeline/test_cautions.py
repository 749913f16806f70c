"""Cautions of a record: nothing old is recorded, and each doubt is stated with the record."""

import json
import os
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
import screen_kit as kit
from pipeline_kit import reading
from program_kit import COMMAND
from terminal_kit import Terminal

from benchwatch.counter import LinkStatus
from benchwatch.errors import NoReadings
from benchwatch.estimate.trim.landing import LandingNow
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.pipeline.cautions import cautions, refuse_if_old, with_cautions
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import OVERDUE_MARGIN_S, Plan
from benchwatch.screen.panels.progress_rows import records_line
from benchwatch.screen.text_pages import record_lines
from benchwatch.snapshot import Records, Snapshot
from benchwatch.staleness import is_current, longest_age_s

LANDED = LandingNow("landed", 45.0, 30.0, "inside and staying there, hands off")
SETTLED = replace(kit.numbers().settle, state="settled")  # type: ignore[type-var] # it is one
HOLDING = LandingNow("holding", 7.0, 30.0, "inside; keep your hands off")
UNSURE = replace(SETTLED, state="unsure")
TWO = replace(kit.numbers().estimate, readings=2)  # type: ignore[type-var] # it is one


def landed(**changes: object) -> Snapshot:
    """Return the state a minute after the last turn, landed, with the oven settled."""
    trim = kit.trim_now(
        landing=LANDED,
        turn=replace(kit.trim_now().turn, at_s=kit.NOW_S - 60.0),  # type: ignore[type-var]
        tool=ToolState(on=False, since_s=kit.NOW_S - 50.0),
    )
    made = kit.snapshot(trim=trim, numbers=kit.numbers(settle=SETTLED), spacing_s=1.0)
    return replace(made, **changes)  # type: ignore[arg-type]


def touched(**changes: object) -> Snapshot:
    """Return the same with another state of the trim."""
    now = landed()
    return replace(now, trim=replace(now.trim, **changes))  # type: ignore[type-var]


def test_hands_off_inside_and_settled_a_record_has_no_caution() -> None:
    """As left has none either where it has landed before the whole hold."""
    assert cautions("as left", landed(), kit.NOW_S) == ()
    sooner = touched(
        landing=replace(LANDED, held_s=14.0), tool=ToolState(on=False, since_s=kit.NOW_S - 18.0)
    )
    assert cautions("as left", sooner, kit.NOW_S) == ()


@pytest.mark.parametrize(
    ("now", "said"),
    [
        (touched(tool=ToolState(on=True, since_s=kit.NOW_S - 60.0)), "tool on the trimmer"),
        (
            touched(tool=ToolState(on=False, since_s=kit.NOW_S - 8.0), landing=HOLDING),
            "not hands off for 30 s",
        ),
        (touched(turn=kit.numbers().last_nudge, landing=HOLDING), "not hands off for 30 s"),
        (touched(turn=kit.numbers().last_nudge, landing=None), "not hands off for 30 s"),
        (
            touched(landing=LandingNow("outside", 0.0, 30.0, "outside the tolerance")),
            "not landed: outside the tolerance",
        ),
        (touched(landing=replace(LANDED, state="holding", held_s=12.0)), "inside for 12 s only"),
        (landed(numbers=kit.numbers()), "still moving by more than asked"),
        (landed(numbers=kit.numbers(settle=UNSURE)), "not yet known to have settled"),
        (landed(numbers=kit.numbers(settle=SETTLED, estimate=TWO)), "from 2 readings only"),
    ],
)
def test_cautions_of_as_left(now: Snapshot, said: str) -> None:
    """The tool on, a touch just before, outside the tolerance, still warming."""
    assert cautions("as left", now, kit.NOW_S) == (said,)


def test_as_found_after_a_turn_has_a_caution() -> None:
    """After a turn the offset is no longer that found; without a turn no hold is needed."""
    assert cautions("as found", landed(), kit.NOW_S) == ("the trimmer had been turned already",)
    untouched = touched(turn=None, landing=None)
    assert cautions("as found", untouched, kit.NOW_S) == ()
    unsure = replace(untouched, numbers=kit.numbers(settle=UNSURE))
    assert cautions("as found", unsure, kit.NOW_S) == ("not yet known to have settled",)


def test_a_caution_stays_in_the_record_its_budget_and_its_json() -> None:
    """The caution is read with the record later; u is a lower limit then."""
    record = kit.record("as left", 1e-10)
    marked = with_cautions(record, ("tool on the trimmer", "still moving by more than asked"))
    again = OffsetRecord.from_dict(json.loads(json.dumps(marked.as_dict())))

    assert again.caution == "tool on the trimmer; still moving by more than asked"
    assert "influence of hand and tool: tool on the trimmer" in again.budget.missing
    assert again.offset == record.offset
    assert with_cautions(record, ()) == record


def test_a_caution_is_shown_with_the_record() -> None:
    """In full on the page of the budget, and as far as it fits in the row of records."""
    marked = with_cautions(kit.record("as left", 1e-10), ("tool on the trimmer",))
    made = kit.frame(kit.snapshot(records=Records(kit.record("as found", 6.9e-9), False, marked)))
    page = [row.plain.strip() for row in record_lines(made, 60)]
    wide, narrow = (records_line(made, width, 1)[0].plain for width in (120, 60))

    assert "caution: tool on the trimmer" in page
    assert "not counted: influence of hand and tool: tool on the trimmer" in page
    assert "(! tool on the trimmer)" in wide
    assert "(!" in narrow


def test_as_left_is_shown_without_as_found_too() -> None:
    """Without a record as found, as left is on the screen."""
    made = kit.frame(kit.snapshot(records=Records(as_left=kit.record("as left", 1e-10))))
    (row,) = records_line(made, 80, 1)

    assert row.plain.strip().startswith("as found: none; as left +0.100 ±")


@pytest.mark.parametrize("state", ["silent", "lost", "connecting", "ended"])
def test_a_dead_link_gives_no_record(state: str) -> None:
    """The newest reading is too old; the sentence gives its age."""
    now = landed(link=LinkStatus(state, 1.0))  # type: ignore[arg-type]
    with pytest.raises(NoReadings, match=r"no readings come.* 9\.1 s old.* Wait until") as raised:
        refuse_if_old("as left", now, kit.NOW_S + 8.7)

    assert "nothing was recorded as left" in str(raised.value)


def test_an_old_reading_gives_no_record_while_the_link_still_reads() -> None:
    """With a gate of 1 s a reading is overdue three seconds after the last one."""
    refuse_if_old("as left", landed(), kit.NOW_S)
    with pytest.raises(NoReadings):
        refuse_if_old("as left", landed(), kit.NOW_S + 3.0)


@pytest.mark.parametrize(
    ("gate_s", "spacing_s", "longest_s"),
    [
        (1.0, 1.0, 1.0 + 0.5 + 1.5),
        (1.0, 10.0, 10.0 + 0.5 + 1.5),
        (100.0, 100.0, 100.0 + 50.0 + 10.0),
        (None, 2.0, 6.0),
        (None, 0.1, 1.6),
        (1.0, None, None),
    ],
)
def test_how_old_the_newest_reading_may_be(
    gate_s: float | None, spacing_s: float | None, longest_s: float | None
) -> None:
    """Half a gate since its middle, the next reading's time, and a margin; unknown gate: three."""
    now = kit.snapshot(gate_s=gate_s, spacing_s=spacing_s)

    assert longest_age_s(now) == (None if longest_s is None else pytest.approx(longest_s))


def test_readings_of_the_usual_pace_are_always_current() -> None:
    """Back to back or one in ten seconds; a reading is late only past the margin."""
    for gate_s, every_s in ((0.25, 0.25), (1.0, 10.0), (None, 3.0)):
        now = kit.snapshot(gate_s=gate_s, spacing_s=every_s, reading=kit.reading(0.0, 100.0))
        arrives_s = 100.0 + (gate_s or every_s) / 2.0 + every_s

        assert is_current(now, arrives_s)
        assert not is_current(now, arrives_s + 3.0 * every_s + OVERDUE_MARGIN_S)


def test_the_nominal_is_questioned_while_readings_miss_it_and_noted_once() -> None:
    """10.01 MHz for an oscillator of 10 MHz; with the right nominal the question is gone."""
    pipeline = Pipeline(Plan(name="main", resource="x", driver="scpi", nominal=Decimal(10_010_000)))
    asked = []
    for number, offset in enumerate([-1e-3, -1e-3, float("nan"), -1e-3, 1e-9]):
        one = replace(reading(number), offset=offset)
        asked.append(pipeline.take(one).question is not None)

    notes = [one.text for one in pipeline.snapshot.logged_events or () if one.kind == "caution"]
    assert asked == [True, True, True, True, False]
    assert len(notes) == 1
    assert "They fit 10 MHz: is the nominal right?" in notes[0]


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
def test_the_question_about_the_nominal_is_on_the_screen(tmp_path: Path) -> None:
    """A counter at 10 MHz, 10.005 MHz typed: whole on 80x24, on two views and in the log."""
    grows = tmp_path / "readings.txt"
    grows.write_text("", encoding="ascii")
    command = [*COMMAND, "watch", str(grows), "--nominal", "10.005MHz",
               "--no-journal"]  # fmt: skip
    terminal = Terminal(command, tmp_path)

    def is_asked(rows: list[str]) -> bool:
        with grows.open("a", encoding="ascii") as file:
            file.write("10000000.1\n")
        text = " ".join(" ".join(rows).split())
        return "by 0.05 %. They fit 10 MHz: is the nominal right?" in text

    try:
        terminal.wait_until(is_asked)
        terminal.type(b"3")
        terminal.wait_until(lambda rows: is_asked(rows) and "dither" in " ".join(rows))
        terminal.type(b"5")
        terminal.wait_until(lambda rows: is_asked(rows) and "caution" in " ".join(rows))
        terminal.type(b"q")
        assert terminal.end() == 0
    finally:
        terminal.close()
