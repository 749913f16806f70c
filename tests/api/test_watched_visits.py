"""A script makes the visit of a unit: watched, put on record, reported, and gone on with."""

import math
import time
from decimal import Decimal
from pathlib import Path

import pytest
from program_kit import run_program
from register_kit import visit_drafts

import benchwatch
from benchwatch import staleness
from benchwatch.register import RegisterFile, Unit
from benchwatch.staleness import longest_age_s
from benchwatch_simulators.bench.simulated_bench import open_bench

NOBODY = "TCPIP0::127.0.0.1::1::SOCKET"
"""Nothing listens there."""
ELSEWHERE = "TCPIP0::127.0.0.2::1::SOCKET"


def test_a_script_makes_a_visit_and_its_report(tmp_path: Path) -> None:
    """Record, note and condition are in the register of simulated benches, and in the report."""
    journal = tmp_path / "mine.db"
    with benchwatch.watch(
        sim="fast", seed=5, count=12, journal=journal, unit="0417", new_unit=True
    ) as watch:
        readings = len(list(watch))
        watch.condition("room", "21.5 °C")
        watch.note("trimmer sealed")
        record = watch.record("as left")

    now = watch.visit
    assert now is not None
    assert (now.number, now.unit, now.simulated, now.closed) == (1, "0417", True, False)
    assert not (tmp_path / "register.db").exists()
    visit = benchwatch.find_visit(now.number or 0, journal=journal, simulated=True)
    assert visit.unit == "0417"
    assert visit.as_left is not None
    assert visit.as_left.record == record
    assert [(one.kind, one.name, one.text) for one in visit.remarks] == [
        ("condition", "room", "21.5 °C"),
        ("note", "", "trimmer sealed"),
    ]
    assert len(benchwatch.read_visit(visit.number, journal=journal, simulated=True)) == readings
    [unit] = benchwatch.list_units(journal=journal, simulated=True)
    assert unit.ident == "0417"
    report = benchwatch.VisitReport(visit.number, journal=journal, simulated=True)
    written = report.write(tmp_path / "draft.txt").read_text(encoding="utf-8")
    for said in ("0417", "21.5 °C", "trimmer sealed", "as left"):
        assert said in written


def test_a_script_and_the_command_go_on_with_one_visit(tmp_path: Path) -> None:
    """The visit that `watch --unit` opened; closed by the script, the next one is another."""
    journal = tmp_path / "mine.db"
    words = ("--sim", "fast", "--json", "--count", "3", "--journal", str(journal))
    done = run_program("watch", *words, "--unit", "0417", "--new")
    assert done.returncode == 0, done.stderr
    with benchwatch.watch(sim="fast", count=3, journal=journal, unit="0417") as watch:
        list(watch)
        watch.close_visit()
        with pytest.raises(benchwatch.UsageError, match="the visit is closed: watch again"):
            watch.note("too late")
    with benchwatch.watch(sim="fast", count=3, journal=journal, unit="0417") as another:
        list(another)
    with benchwatch.watch(sim="fast", count=3, journal=journal, unit="0417", resume=False) as third:
        list(third)

    visits = benchwatch.list_visits("0417", journal=journal, simulated=True)
    assert [len(visit.runs) for visit in visits] == [2, 1, 1]
    assert [visit.closed_utc_s is not None for visit in visits] == [True, False, False]
    numbers = [one.visit.number for one in (watch, another, third) if one.visit is not None]
    assert numbers == [visit.number for visit in visits]
    with pytest.raises(benchwatch.UsageError, match="the watch is closed"):
        watch.note("after its end")


def test_a_counter_at_an_address_has_the_register_of_real_ones(tmp_path: Path) -> None:
    """Read over a socket; a nameless visit of it goes on, and the unit's is another."""
    journal = tmp_path / "mine.db"
    with open_bench("fast", seed=5) as served:
        address = served.resources["main"]
        for name in (None, None, "0417"):
            with benchwatch.watch(
                address, nominal="10 MHz", count=12, journal=journal, unit=name, new_unit=True
            ) as watch:
                list(watch)
                watch.record("measured")
                if name is None:
                    watch.note("unlabelled")

    assert not (tmp_path / "register-simulated.db").exists()
    visits = benchwatch.list_visits(journal=journal)
    assert [(visit.unit, len(visit.runs)) for visit in visits] == [(None, 2), ("0417", 1)]
    assert watch.visit is not None
    assert (watch.visit.number, watch.visit.simulated) == (visits[1].number, False)


def test_a_record_is_taken_straight_after_the_last_reading_only(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An end in order leaves the numbers current as long as the next reading is not overdue."""
    with benchwatch.watch(sim="fast", count=12) as watch:
        list(watch)
        while watch.counter().snapshot.link.state != "ended":
            time.sleep(0.05)
        with monkeypatch.context() as patch:  # no reading is overdue, however busy the computer is
            patch.setattr(staleness, "longest_age_s", lambda _now: math.inf)
            record = watch.record()
        time.sleep(longest_age_s(watch.counter().snapshot) or 0.0)
        with pytest.raises(benchwatch.NoReadings, match="no readings come"):
            watch.record()

    assert record.readings >= 2


def test_a_record_opens_a_nameless_visit(tmp_path: Path) -> None:
    """As with lines on the command line: readings alone leave none."""
    journal = tmp_path / "mine.db"
    with benchwatch.watch(sim="fast", count=3, journal=journal) as watch:
        list(watch)
    assert watch.visit is not None
    assert watch.visit.number is None
    assert not (tmp_path / "register-simulated.db").exists()
    with benchwatch.watch(sim="fast", count=12, journal=journal) as watch:
        list(watch)
        watch.record("as left")

    [visit] = benchwatch.list_visits(journal=journal, simulated=True)
    assert visit.unit is None
    assert visit.as_left is not None


def test_each_counter_has_its_unit(tmp_path: Path) -> None:
    """Two on a simulated bench; each has a visit, which is asked for by name."""
    journal = tmp_path / "mine.db"
    one, two = "ten", "five"
    units = {one: "0417", two: "0418"}
    with benchwatch.watch(sim="five", count=1, journal=journal, unit=units, new_unit=True) as watch:
        list(watch)
        watch.note("lid on", one)

    visits = [watch.visit_of(name) for name in (one, two)]
    assert [visit.unit for visit in visits if visit is not None] == ["0417", "0418"]
    [noted] = benchwatch.list_visits("0417", journal=journal, simulated=True)
    [other] = benchwatch.list_visits("0418", journal=journal, simulated=True)
    assert [remark.text for remark in noted.remarks] == ["lid on"]
    assert not other.remarks
    with pytest.raises(benchwatch.UsageError, match="which counter"):
        _ = watch.visit


def test_a_unit_gives_what_is_not_given(tmp_path: Path) -> None:
    """Its nominal and tolerance, also to a counter of a bench file that names it."""
    journal, bench = tmp_path / "mine.db", tmp_path / "bench.toml"
    register = RegisterFile(tmp_path / "register.db")
    register.add([Unit(ident="0417", nominal_hz=Decimal(10_000_000), tolerance=5e-9).draft()])
    bench.write_text(f'[counters.ten]\nresource = "{NOBODY}"\nunit = "0417"\n')
    with benchwatch.watch(NOBODY, journal=journal, unit="0417") as watch:
        plan = watch.counter().pipeline.plan
    with benchwatch.watch(bench=bench, journal=journal, tolerance="0.02 Hz") as watch:
        of_file = watch.counter().pipeline.plan

    assert (plan.unit, plan.nominal, plan.tolerance) == ("0417", 10_000_000, 5e-9)
    assert (of_file.unit, of_file.nominal, of_file.tolerance) == ("0417", 10_000_000, 2e-9)


def test_records_of_the_open_visit_go_on(tmp_path: Path) -> None:
    """What is on record of it is in the first snapshot."""
    register = RegisterFile(tmp_path / "register.db")
    register.add([Unit(ident="0417").draft()])
    register.add(visit_drafts("0417", 1.9e9)[:4])
    with benchwatch.watch(NOBODY, journal=tmp_path / "mine.db", unit="0417") as watch:
        records = watch.counter().snapshot.records

    assert records is not None
    assert records.as_found is not None


@pytest.mark.parametrize(
    ("unit", "message"),
    [
        ("0417", "there is no unit 0417 yet. Add new_unit=True to make it"),
        ("AB-7", "there is no unit AB-7 yet. There is ab-7. Add new_unit=True"),
        ({"main": "ab-7", "counter2": "ab-7"}, "one unit is given to two counters"),
        ({"third": "ab-7"}, "no counter is called 'third'. There are: main, counter2."),
        ({"main": ""}, "the ident of a unit is empty"),
    ],
)
def test_units_that_can_not_be_are_refused(
    tmp_path: Path, unit: str | dict[str, str], message: str
) -> None:
    """Before anything is opened."""
    RegisterFile(tmp_path / "register.db").add([Unit(ident="ab-7").draft()])
    where = NOBODY if isinstance(unit, str) else [NOBODY, ELSEWHERE]
    with pytest.raises(benchwatch.UsageError) as caught:
        benchwatch.watch(where, journal=tmp_path / "mine.db", unit=unit)

    assert message in str(caught.value)


def test_a_unit_needs_a_journal_and_with_several_counters_a_name() -> None:
    """The sentences show how."""
    with pytest.raises(benchwatch.UsageError, match="add journal="):
        benchwatch.watch(NOBODY, unit="0417")
    with pytest.raises(benchwatch.UsageError, match=r"such as unit=\{'main': '0417'\}"):
        benchwatch.watch([NOBODY, ELSEWHERE], unit="0417")
    with benchwatch.watch(NOBODY) as watch:
        assert watch.visit is None
        with pytest.raises(benchwatch.UsageError, match="there is no visit, as nothing is kept"):
            watch.close_visit()


@pytest.mark.parametrize(("name", "value"), [("", "21.5 C"), ("room air", "21.5 C"), ("room", " ")])
def test_a_condition_has_a_name_and_a_value(tmp_path: Path, name: str, value: str) -> None:
    """And a note has words."""
    with benchwatch.watch(NOBODY, journal=tmp_path / "mine.db") as watch:
        with pytest.raises(benchwatch.UsageError, match="one word"):
            watch.condition(name, value)
        with pytest.raises(benchwatch.UsageError, match="has words"):
            watch.note(" ")


def test_a_damaged_register_costs_the_visit_and_not_the_readings(tmp_path: Path) -> None:
    """A mark says so at once; at the end an error says where the entries are."""
    path, journal = tmp_path / "register-simulated.db", tmp_path / "mine.db"
    path.write_bytes(b"SQLite format 3\0" + b"\xa5" * 9000)
    watch = benchwatch.watch(sim="fast", count=3, journal=journal, unit="0417", new_unit=True)
    marks = [event.text for event, _ in watch.events() if isinstance(event, benchwatch.Mark)]
    with pytest.raises(benchwatch.FileError, match="register"):
        watch.close()

    assert any("The unit 0417 is not in it; the watch goes on." in text for text in marks)
    assert len(benchwatch.read_run(journal=journal)) >= 3
