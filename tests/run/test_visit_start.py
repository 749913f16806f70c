"""How a watch begins: which open visit goes on, with what, and when another one begins."""

import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from pipeline_kit import NOMINAL
from register_kit import rows_of
from visit_kit import DAY_S, HOUR_S, RESOURCE, MadeBench

from benchwatch.errors import UsageError
from benchwatch.estimate.results import SettleLimit
from benchwatch.pipeline.event_log import resumed_words
from benchwatch.plan import Plan
from benchwatch.register import RegisterFile, Unit
from benchwatch.register.visit_closing import close_visit
from benchwatch.run.visit_start import unit_of_plan, with_unit


@pytest.fixture
def bench(tmp_path: Path) -> MadeBench:
    """Return a bench without a visit."""
    return MadeBench(tmp_path)


def trimmed(bench: MadeBench, unit: str | None = None, **plan: Any) -> None:
    """Find 40 ppb, note and turn to 10 ppb, tool on; then the terminal is killed."""
    watched = bench.watch(unit, **plan)
    watched.feed(40.0)
    watched.counter.record("as found")
    watched.counter.change_visit("note", "lid off")
    watched.counter.touch(on=True)
    watched.feed(10.0, seed=6)
    bench.kill(watched)


@pytest.mark.parametrize("pause_s", [60.0, 30 * DAY_S, -3 * DAY_S])
def test_a_visit_of_a_unit_goes_on_after_any_pause(bench: MadeBench, pause_s: float):
    """Also when a clock was set back: one visit, two runs, as found, note and tool."""
    trimmed(bench, "0417")
    bench.clock.shift_s += pause_s

    with bench.watching("0417") as again:
        again.feed(10.0, 5)
        records, texts = again.now.records, again.texts
        earlier = again.start.earlier

    (visit,) = bench.visits()
    assert records is not None
    assert records.as_found is not None
    assert records.as_found.offset == pytest.approx(40e-9, abs=0.1e-9)
    assert "lid off" in texts
    assert earlier is not None
    assert earlier.tool_on
    assert len(visit.runs) == 2
    assert [one.record.kind for one in visit.records] == ["as found"]


@pytest.mark.parametrize(
    ("pause_s", "goes_on"),
    [(11 * HOUR_S, True), (13 * HOUR_S, False), (-11 * HOUR_S, True), (-13 * HOUR_S, False)],
)
def test_a_nameless_visit_goes_on_for_half_a_day(bench: MadeBench, pause_s: float, goes_on: bool):
    """On the same resource and nominal; later it is another unit's."""
    trimmed(bench)
    bench.clock.shift_s += pause_s

    with bench.watching() as again:
        again.feed(10.0, 5)

    assert (again.start.visit is not None) == goes_on
    assert (again.now.records is not None) == goes_on
    assert len(bench.visits()) == (1 if goes_on else 2)


@pytest.mark.parametrize(
    "other",
    [
        {"resource": "TCPIP0::127.0.0.1::5026::SOCKET"},
        {"nominal": NOMINAL / 2},
        {"unit": "0418"},
        {"resumes": False},
    ],
)
def test_another_visit_begins_for_another_unit(bench: MadeBench, other: dict[str, Any]):
    """Another resource, nominal or ident, or --no-resume: nothing comes over."""
    trimmed(bench, "0417" if "unit" in other else None)
    again = bench.watch(**other)
    again.end()

    assert again.start.visit is None
    assert again.start.earlier is None
    assert again.now.records is None
    assert not again.now.logged_events


@pytest.mark.parametrize("unit", ["0417", None])
@pytest.mark.parametrize("by", ["the screen", "visits close"])
def test_nothing_of_a_closed_visit_comes_into_the_next(bench: MadeBench, unit: str | None, by: str):
    """Neither as found nor a note: the next visit has its own as found."""
    watched = bench.watch(unit)
    watched.feed(40.0)
    watched.counter.record("as found")
    watched.counter.change_visit("note", "lid off")
    if by == "the screen":
        watched.counter.change_visit("close visit", "")
    bench.kill(watched)
    if by == "visits close":
        close_visit(RegisterFile(bench.register), bench.visits()[0].name, unit)

    with bench.watching(unit) as again:
        again.feed(12.0)
        before = again.now.records
        again.feed(2.0, seed=6)  # the first turn
        after = again.now.records

    first, second = bench.visits()
    assert before is None
    assert after is not None
    assert after.as_found is not None
    assert after.as_found.offset == pytest.approx(12e-9, abs=0.1e-9)
    assert "lid off" not in again.texts
    assert first.closed_utc_s is not None
    assert (len(first.records), len(second.records)) == (1, 1)


def test_the_register_alone_brings_back_a_visit(bench: MadeBench):
    """The journal is gone: records, notes and pulls are those that the register has."""
    trimmed(bench, "0417")
    with bench.watching("0417") as again:
        again.counter.change_visit("condition", "room 21.5 C")
    bench.journal.unlink()
    with bench.watching("0417") as third:
        third.feed(10.0, 5)

    assert third.now.records is not None
    assert third.now.records.as_found is not None
    assert {"lid off", "room 21.5 C"} <= set(third.texts)
    assert third.start.earlier is not None
    assert third.start.earlier.runs == ()
    assert len(bench.visits()) == 1


def spoil(path: Path, how: str) -> None:
    """Let the register be gone, damaged, a folder, or of a newer version."""
    for end in ("-wal", "-shm"):
        path.with_name(path.name + end).unlink(missing_ok=True)
    if how == "gone":
        path.unlink()
    elif how == "a folder":
        path.unlink()
        path.mkdir()
    elif how == "damaged":
        path.write_bytes(b"SQLite format 3\0" + b"\xa5" * 9000)
    else:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection, connection:
            connection.execute("PRAGMA user_version = 99")


@pytest.mark.parametrize("how", ["gone", "damaged", "newer", "a folder"])
@pytest.mark.parametrize("unit", ["0417", None])
def test_the_journal_alone_brings_back_a_trim(bench: MadeBench, how: str, unit: str | None):
    """The watch goes on with as found and records into the journal; a sentence says why."""
    trimmed(bench, unit)
    spoil(bench.register, how)

    again = bench.watch(unit)
    again.feed(10.0)
    said = again.counter.record("as left")
    records, trouble = again.now.records, again.writer.trouble
    left_over = again.end()

    assert records is not None
    assert records.as_found is not None
    assert records.as_left is not None
    with closing(sqlite3.connect(bench.journal)) as journal, journal:
        kinds = [kind for (kind,) in journal.execute("SELECT kind FROM records")]
    assert kinds == ["as found", "as left"]
    assert (trouble is not None) == (how != "gone")
    assert ("waits for the register" in said) == (how != "gone")
    assert ("benchwatch visits merge" in left_over) == (how != "gone")


def test_two_watches_of_a_unit_record_as_found_once(bench: MadeBench):
    """The second turn is seen by both; the one that comes later takes the other's record."""
    first, second = bench.watch("0417"), None
    first.feed(40.0)
    second = bench.watch("0417")
    second.feed(40.0)
    first.feed(10.0, seed=6)
    second.feed(10.0, seed=6)
    found = [one.now.records for one in (first, second)]
    first.end()
    second.end()

    (visit,) = bench.visits()
    assert len(visit.records) == 1
    assert found[0] is not None
    assert found[1] is not None
    assert found[0].as_found == found[1].as_found


def test_a_simulated_bench_never_resumes_nameless(bench: MadeBench):
    """Its oscillator is another one each time."""
    simulated = MadeBench(bench.folder, simulated="station")
    trimmed(simulated)

    with simulated.watching() as again:
        again.feed(10.0, 5)

    assert again.start.visit is None
    assert len(simulated.visits()) == 2


@pytest.mark.parametrize("resource", ["-"])
def test_readings_through_a_pipe_resume_only_by_unit(bench: MadeBench, resource: str):
    """What comes in next may be of anything, unless its unit is named."""
    trimmed(bench, "0417", resource=resource)
    named = bench.watch("0417", resource=resource)
    named.end()
    nameless = bench.watch(resource=resource)
    nameless.end()

    assert named.start.visit is not None
    assert nameless.start.visit is None
    assert nameless.start.earlier is None


def test_a_watch_that_looks_leaves_no_visit(bench: MadeBench):
    """Lines without a unit: only what is recorded opens a visit."""
    with bench.watching(begins_at_once=False) as looking:
        looking.feed(40.0, 5)
    nothing = bench.register.exists()
    with bench.watching(begins_at_once=False) as recording:
        recording.feed(40.0)
        recording.counter.record("measured")

    (visit,) = bench.visits()
    assert not nothing
    assert [one.record.kind for one in visit.records] == ["measured"]
    assert [row["kind"] for row in rows_of(bench.register)] == ["chain", "visit", "run", "record"]


@pytest.mark.parametrize(("pause_s", "asks"), [(60.0, False), (300.0, True), (DAY_S, True)])
def test_power_is_asked_about_after_a_pause(bench: MadeBench, pause_s: float, asks: bool):
    """Within two minutes it is not."""
    trimmed(bench, "0417")
    bench.clock.now_s += pause_s
    with bench.watching("0417") as again:
        visit = again.now.visit

    assert visit is not None
    assert visit.asks_power == asks


@pytest.mark.parametrize("answer", ["switched off", "stayed on"])
def test_the_answer_about_power_sets_the_warm_up(bench: MadeBench, answer: Any):
    """Off: it begins with this run, and as found stays; on: with the first run of the visit."""
    trimmed(bench, "0417")
    bench.clock.now_s += 3600.0
    with bench.watching("0417") as again:
        again.counter.change_visit(answer, "")
        now = again.now

    (visit,) = bench.visits()
    assert now.visit is not None
    assert not now.visit.asks_power
    assert now.warm_up is not None
    assert now.warm_up.since_s == pytest.approx(0.0 if answer == "switched off" else -3660.0)
    assert now.records is not None
    assert now.records.as_found is not None
    assert [one.kind for one in visit.remarks if one.kind == "power"] == ["power"]


@pytest.mark.parametrize(
    ("answer", "asks", "since_s"),
    [(None, True, 0.0), ("switched off", False, -40.0), ("stayed on", False, -3700.0)],
)
def test_an_open_question_about_power_is_asked_again(
    bench: MadeBench, answer: Any, asks: bool, since_s: float
):
    """By the next run, however soon; an answer holds for the runs after it."""
    trimmed(bench, "0417")
    bench.clock.now_s += 3600.0
    second = bench.watch("0417")
    if answer is not None:
        second.counter.change_visit(answer, "")
    second.feed(10.0)
    bench.kill(second)
    bench.clock.now_s += 10.0
    with bench.watching("0417") as third:
        now = third.now

    assert now.visit is not None
    assert now.visit.asks_power == asks
    assert now.warm_up is not None
    assert now.warm_up.since_s == pytest.approx(since_s)


def test_power_is_asked_about_when_only_the_register_is_left(bench: MadeBench):
    """The pause is that since its newest entry."""
    trimmed(bench, "0417")
    bench.journal.unlink()
    bench.clock.now_s += 3600.0
    with bench.watching("0417") as again:
        visit = again.now.visit

    assert visit is not None
    assert visit.asks_power


def test_the_first_words_say_which_visit_goes_on_and_with_what(bench: MadeBench):
    """Unit, pause, as found with its age, tool and notes."""
    trimmed(bench, "0417")
    bench.clock.now_s += 840.0
    again = bench.watch("0417")
    again.end()

    assert again.start.earlier is not None
    words = resumed_words(again.start.earlier, bench.clock.utc(), again.start.writer.now)
    assert re.fullmatch(
        r"visit of 0417 goes on, last read 14 min ago: as found \+39\.9\d+ ± 0\.\d+ ppb, "
        r"14 min ago, the tool is on the trimmer, 4 notes",
        words,
    )


def test_a_visit_of_which_nothing_is_known_says_so(bench: MadeBench):
    """There is no list of nothing."""
    watched = bench.watch("0417")
    watched.feed(40.0, 3)
    bench.kill(watched)
    bench.clock.now_s += 60.0
    again = bench.watch("0417")
    again.end()

    assert again.start.earlier is not None
    words = resumed_words(again.start.earlier, bench.clock.utc(), again.start.writer.now)
    assert words == "visit of 0417 goes on, last read 1 min ago: nothing on record yet"


UNIT = Unit(
    ident="0417",
    nominal_hz=NOMINAL,
    tolerance=5e-9,
    settle=1e-9,
    settle_horizon_s=600.0,
    working_hz=(1e8,),
)


def test_a_unit_fills_in_what_is_not_stated():
    """Nominal, tolerance, settle limit and working frequencies."""
    plan = with_unit(Plan(name="main", resource=RESOURCE), UNIT)

    assert plan.unit == "0417"
    assert (plan.nominal, plan.tolerance) == (NOMINAL, 5e-9)
    assert plan.settle == SettleLimit(1e-9, 600.0)
    assert plan.working_hz == (1e8,)


def test_what_is_stated_goes_over_the_unit():
    """Each value by itself."""
    stated = Plan(
        name="main",
        resource=RESOURCE,
        nominal=NOMINAL / 2,
        tolerance=1e-9,
        settle=SettleLimit(2e-9, 60.0),
        working_hz=(2e8,),
    )
    plan = with_unit(stated, UNIT)

    assert plan == Plan(
        name="main",
        resource=RESOURCE,
        nominal=NOMINAL / 2,
        tolerance=1e-9,
        settle=SettleLimit(2e-9, 60.0),
        working_hz=(2e8,),
        unit="0417",
    )
    assert unit_of_plan("0417", plan).nominal_hz == NOMINAL / 2


def test_a_named_visit_goes_on_unnamed_only_where_it_was_cut_off(bench: MadeBench):
    """After an orderly end another unit may stand there: a new visit, and the open one is named."""
    trimmed(bench, "0417")
    with bench.watching() as cut_off:
        cut_off.feed(10.0)
    after_the_end = bench.watch()
    after_the_end.end()

    assert cut_off.start.visit is not None
    assert cut_off.start.passed_over is None
    assert after_the_end.start.visit is None
    assert after_the_end.start.passed_over is not None
    assert after_the_end.start.passed_over.unit == "0417"
    assert after_the_end.start.earlier is None


def test_as_found_is_not_replaced_once_the_trimmer_was_turned(bench: MadeBench):
    """It can't be measured again: a sentence, and the record stays, also in the register."""
    with bench.watching("0417") as watched:
        watched.feed(40.0)
        watched.counter.record("as found")
        watched.feed(20.0, seed=6)
        with pytest.raises(UsageError, match=r"as found is on record .*nothing was recorded"):
            watched.counter.record("as found")

    (visit,) = bench.visits()
    assert [one.record.kind for one in visit.records] == ["as found"]


def test_a_new_visit_knows_where_the_tool_is(bench: MadeBench):
    """The tool stays where it was said to be; its pull belongs to the other unit."""
    with bench.watching("0417") as watched:
        watched.feed(40.0)
        watched.counter.touch(on=True)
        watched.feed(10.0, seed=6)
        watched.counter.change_visit("new visit", "")
        watched.feed(10.0, seed=7)
        trim = watched.now.trim

    assert trim is not None
    assert trim.tool is not None
    assert trim.tool.on
    assert trim.tool.pull is None
