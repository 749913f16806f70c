"""What the operator says of a visit during a watch: names it, notes, closes it, begins another."""

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from pipeline_kit import NOMINAL
from visit_kit import MadeBench, Watched

from benchwatch.errors import UnknownUnit, UsageError
from benchwatch.estimate.results import SettleLimit
from benchwatch.plan import VISIT_ACTIONS, VISIT_FORMS, VisitChange
from benchwatch.register import RegisterFile, read_register
from benchwatch.register.visit_closing import close_visit

MOMENT = (1.9e9, 100.0)
"""UTC and elapsed seconds."""


@pytest.fixture
def bench(tmp_path: Path) -> MadeBench:
    """Return a bench without a visit."""
    return MadeBench(tmp_path)


def say(watched: Watched, change: VisitChange, text: str = "") -> str:
    """Say something of the visit; return the answer."""
    return watched.counter.change_visit(change, text)


def test_a_nameless_visit_gets_its_unit_and_the_unit_its_limits(bench: MadeBench):
    """The unit is made with the limits of the watch, after it was said to be new."""
    with bench.watching(settle=SettleLimit(1e-9, 600.0)) as watched:
        watched.feed(40.0)
        with pytest.raises(UnknownUnit):
            say(watched, "unit", "0417")
        said = say(watched, "new unit", "  0417 ")
        visit = watched.now.visit

    with read_register(bench.register) as reader:
        unit = reader.unit("0417")
    assert said == "this is the visit of 0417"
    assert visit is not None
    assert visit.unit == "0417"
    assert [one.unit for one in bench.visits()] == ["0417"]
    assert unit is not None
    assert (unit.nominal_hz, unit.tolerance, unit.settle) == (NOMINAL, 1e-9, 1e-9)


def test_a_known_unit_gives_its_limits_to_the_watch(bench: MadeBench):
    """Where the watch has none of its own."""
    bench.make_unit("0417", nominal_hz=NOMINAL, tolerance=5e-9, settle=2e-9, settle_horizon_s=60.0)
    with bench.watching(tolerance=None) as watched:
        watched.feed(4.0)
        say(watched, "unit", "0417")
        watched.feed(4.0, 5)
        tolerance, plan = watched.now.numbers.tolerance, watched.counter.pipeline.plan

    assert tolerance is not None
    assert (tolerance.limit, tolerance.inside) == (5e-9, True)
    assert plan.settle == SettleLimit(2e-9, 60.0)


def test_a_unit_with_an_open_visit_is_not_named_twice(bench: MadeBench):
    """Its other visit must be closed first; the sentence names it and says how."""
    with bench.watching("0417") as first:
        first.feed(40.0, 5)
    watched = bench.watch(resource="TCPIP0::127.0.0.1::5026::SOCKET")
    watched.feed(10.0, 5)
    with pytest.raises(UsageError, match=r"0417 has visit 1 open. Close it first .*close 1"):
        say(watched, "unit", "0417")
    close_visit(RegisterFile(bench.register), bench.visits()[0].name, "0417")
    said = say(watched, "unit", "0417")
    watched.end()

    assert said == "this is the visit of 0417"
    assert [one.unit for one in bench.visits()] == ["0417", "0417"]


@pytest.mark.parametrize("ident", ["", "   ", "a" * 65, "0\x1b[31m", "☃"])
def test_an_ident_that_can_name_nothing_is_refused(bench: MadeBench, ident: str):
    """In a sentence; the visit stays nameless."""
    with bench.watching() as watched:
        watched.feed(40.0, 5)
        with pytest.raises(UsageError, match="ident"):
            say(watched, "unit", ident)

    assert [one.unit for one in bench.visits()] == [None]


def test_a_visit_of_one_unit_does_not_become_another_one_s(bench: MadeBench):
    """The sentence says what to do; naming it the same again is fine."""
    bench.make_unit("0418")
    with bench.watching("0417") as watched:
        watched.feed(40.0, 5)
        again = say(watched, "unit", "0417")
        with pytest.raises(UsageError, match="this is the visit of 0417: type :new visit"):
            say(watched, "unit", "0418")

    assert again == "this is the visit of 0417"


def test_a_new_visit_forgets_the_old_one(bench: MadeBench):
    """As found, pull, notes and unit are the old one's; the run is another one too."""
    with bench.watching("0417") as watched:
        watched.feed(40.0)
        watched.counter.record("as found")
        say(watched, "note", "lid off")
        watched.counter.touch(on=True)
        watched.feed(46.0, seed=6)
        watched.counter.touch(on=False)
        watched.feed(40.0, seed=7)
        pulls = watched.counter.pipeline._analysis.trim.samples
        said = say(watched, "new visit")
        forgotten = watched.now
        watched.feed(12.0, seed=8)
        after = watched.now

    first, second = bench.visits()
    assert "a new visit begins" in said
    assert pulls
    assert forgotten.records is None
    assert not forgotten.logged_events
    assert forgotten.trim is None or forgotten.trim.tool is None or not forgotten.trim.tool.on
    assert after.visit is not None
    assert (after.visit.unit, after.visit.number) == (None, 2)
    assert after.records is None
    assert not set(second.pulls)
    assert first.runs[-1].key != second.runs[0].key
    assert second.records == second.remarks == ()


@pytest.mark.parametrize("by", ["this watch", "another program"])
@pytest.mark.parametrize(
    ("change", "text"),
    [
        ("note", "lid on"),
        ("condition", "room 21.5 C"),
        ("record", ""),
        ("unit", "0417"),
        ("close visit", ""),
        ("stayed on", ""),
    ],
)
def test_a_closed_visit_takes_nothing_more(
    bench: MadeBench, by: str, change: VisitChange, text: str
):
    """Whoever closed it; the sentence says how to go on, and the screen knows that it is closed."""
    with bench.watching("0417") as watched:
        watched.feed(40.0)
        if by == "this watch":
            say(watched, "close visit")
        else:
            close_visit(RegisterFile(bench.register), bench.visits()[0].name, "0417")
        before = bench.visits()
        with pytest.raises(UsageError, match="closed"):
            say(watched, change, text)
        visit = watched.now.visit

    assert visit is not None
    assert visit.closed
    assert bench.visits() == before


def test_a_turn_after_the_closing_is_not_as_found(bench: MadeBench):
    """The next unit may be on the bench; its as found belongs to a visit of its own."""
    with bench.watching("0417") as watched:
        watched.feed(40.0)
        close_visit(RegisterFile(bench.register), bench.visits()[0].name, "0417")
        watched.feed(10.0, seed=6)
        records = watched.now.records

    assert records is None
    assert [one.records for one in bench.visits()] == [()]


def test_leaving_knows_that_another_program_closed_the_visit(bench: MadeBench):
    """The last snapshot says so."""
    watched = bench.watch("0417")
    watched.feed(40.0, 5)
    close_visit(RegisterFile(bench.register), bench.visits()[0].name, "0417")
    watched.end()

    assert watched.now.visit is not None
    assert watched.now.visit.closed


@pytest.mark.parametrize(
    ("text", "kept"),
    [("room 21.5 C", ("room", "21.5 C")), ("  supply   12.1 V ", ("supply", "12.1 V"))],
)
def test_a_condition_has_a_name_and_a_value(bench: MadeBench, text: str, kept: tuple[str, str]):
    """Blanks around them are not kept."""
    with bench.watching("0417") as watched:
        say(watched, "condition", text)

    (visit,) = bench.visits()
    assert [(one.name, one.text) for one in visit.remarks] == [kept]


@pytest.mark.parametrize("text", ["", "room", "  room  "])
def test_a_condition_without_a_value_is_refused(bench: MadeBench, text: str):
    """The sentence shows one."""
    with bench.watching("0417") as watched, pytest.raises(UsageError, match=r"room 21\.5 C"):
        say(watched, "condition", text)

    assert not bench.visits()


def test_a_note_is_on_the_time_line_in_the_register_and_the_journal(bench: MadeBench):
    """With its time, and no escape is shown."""
    with bench.watching("0417") as watched:
        watched.feed(40.0, 5)
        said = say(watched, "note", "lid \x1b[31moff")
        marks, at_s = watched.now.marks, bench.clock.utc()

    (visit,) = bench.visits()
    (note,) = visit.remarks
    assert said == "noted: lid ?[31moff"
    assert note.text == "lid ?[31moff"
    assert note.at_utc_s == pytest.approx(at_s, abs=0.01)
    assert len(marks) == 1


def test_a_mark_of_the_watch_is_a_note_and_one_without_words_is_none(bench: MadeBench):
    """The key m marks every counter."""
    with bench.watching("0417") as watched:
        watched.feed(40.0, 5)
        watched.run.mark("cover off")
        watched.run.mark("")

    (visit,) = bench.visits()
    assert [one.text for one in visit.remarks] == ["cover off"]


@pytest.mark.parametrize("change", [*VISIT_FORMS, *VISIT_ACTIONS])
def test_without_a_register_each_change_has_its_answer(tmp_path: Path, change: Any):
    """A watch that keeps nothing refuses what belongs to a visit, and never fails."""
    watched = MadeBench(tmp_path).watch_nothing_kept()
    watched.feed(40.0)
    if change in {"note", "condition", "record"}:
        said = say(watched, change, "room 21.5 C")
    else:
        with pytest.raises(UsageError, match="--no-journal"):
            say(watched, change, "0417")
        said = "refused"

    assert said
    assert watched.now.readings == 30
    assert Decimal(watched.now.reading.text) > NOMINAL  # type: ignore[union-attr] # it has one


def test_a_limit_that_is_changed_holds_for_the_visit(bench: MadeBench):
    """The register has it as a condition; the same again adds nothing."""
    with bench.watching("0417", tolerance=1e-9) as watched:
        watched.feed(4.0, 5)
        for _ in range(2):
            watched.counter.pipeline.set_limits(
                *MOMENT, tolerance=5e-9, settle=SettleLimit(2e-9, 60.0)
            )

    (visit,) = bench.visits()
    assert (visit.tolerance, visit.settle) == (5e-9, "2 ppb in 1 min")
    assert [(one.name, one.text) for one in visit.remarks] == [
        ("tolerance", "5 ppb"),
        ("settle limit", "2 ppb in 1 min"),
    ]


def test_a_limit_that_is_changed_before_the_first_reading_opens_the_visit(bench: MadeBench):
    """There is nothing to be changed in the register yet."""
    with bench.watching("0417", tolerance=1e-9) as watched:
        watched.counter.pipeline.set_limits(*MOMENT, tolerance=5e-9)
        watched.feed(4.0, 5)

    (visit,) = bench.visits()
    assert visit.tolerance == 5e-9
    assert visit.remarks == ()


def test_a_watch_that_goes_on_under_another_tolerance_says_so(bench: MadeBench):
    """The report is judged by what was asked last."""
    with bench.watching("0417", tolerance=1e-9, settle=SettleLimit(1e-9, 600.0)) as watched:
        watched.feed(4.0, 5)
    with bench.watching("0417", tolerance=5e-9, settle=SettleLimit(1e-9, 600.0)) as watched:
        watched.feed(4.0, 5)

    (visit,) = bench.visits()
    assert (visit.tolerance, visit.settle) == (5e-9, "1 ppb in 10 min")
    assert [(one.name, one.text) for one in visit.remarks] == [("tolerance", "5 ppb")]


def test_the_notes_keep_where_the_report_was_written(bench: MadeBench):
    """In the notes and in the state of the visit; that of another visit is left out."""
    said = "report: /home/op/reports/0417-visit-1-issue-1.pdf, 0417 / visit 1 / issue 1"
    with bench.watching() as watched:
        watched.feed(4.0)
        visit = watched.now.visit
        assert visit is not None
        assert visit.number is not None
        watched.counter.note_report(visit.number + 1, "report: elsewhere.pdf")
        watched.counter.note_report(visit.number, said)
        reported, events = watched.now.visit, watched.now.logged_events
        watched.counter.change_visit("new visit", "")
        another = watched.now.visit

    assert reported is not None
    assert reported.report == said
    assert another is not None
    assert another.report == ""
    assert [one.text for one in events or () if one.text.startswith("report")] == [said]
