"""The units of a watch on the command line: named, looked up, made, and their limits."""

import json
from decimal import Decimal
from pathlib import Path

import pytest
from click.testing import CliRunner
from program_kit import run_program
from register_kit import visit_drafts

from benchwatch.bench import load_bench
from benchwatch.commands.common import watch_visits
from benchwatch.commands.common.watch_visits import (
    look_up_units,
    make_units,
    open_visits,
)
from benchwatch.commands.common.watched_counters import (
    TypedSettings,
    plan_counters,
    units_on_bench,
)
from benchwatch.commands.watch import watch
from benchwatch.errors import UsageError
from benchwatch.estimate.results import SettleLimit
from benchwatch.plan import Plan
from benchwatch.register import RegisterFile, Unit, read_register
from benchwatch.run.watch_visits import UnitsOnBench

ONE, TWO = "TCPIP0::127.0.0.1::9::SOCKET", "TCPIP0::127.0.0.2::9::SOCKET"
NOMINAL = Decimal(10_000_000)
UNIT = Unit(
    ident="0417",
    nominal_hz=NOMINAL,
    tolerance=5e-9,
    settle=1e-9,
    settle_horizon_s=600.0,
    working_hz=(1e8,),
)
BENCH_FILE = f"""
[counters.one]
resource = "{ONE}"
unit = "0417"
tolerance = "2 ppb"

[counters.two]
resource = "{TWO}"
"""


@pytest.fixture
def register(tmp_path: Path) -> RegisterFile:
    """Return a register that knows the unit 0417."""
    made = RegisterFile(tmp_path / "register.db")
    made.add([UNIT.draft()])
    return made


def refused(*words: str) -> str:
    """Return the sentence with which `watch` refuses these words."""
    with pytest.raises(UsageError) as caught:
        CliRunner().invoke(watch, [*words, "--json"], catch_exceptions=False, standalone_mode=False)
    return str(caught.value)


def planned(units: UnitsOnBench, bench: Path | None = None, **typed: str) -> dict[str, Plan]:
    """Return the plans of a watch of two counters."""
    settings = TypedSettings(
        nominals=(),
        tolerance=typed.get("tolerance"),
        settle=typed.get("settle"),
        gate_s=None,
        interval_s=None,
        driver=None,
        units=units,
    )
    if bench is not None:
        plans = plan_counters((), settings, bench=load_bench(bench))
    else:
        plans = plan_counters((f"one={ONE}", f"two={TWO}"), settings)
    return {plan.name: plan for plan in plans}


def test_several_counters_need_the_name_of_the_one_with_the_unit(tmp_path: Path):
    """The sentence shows how."""
    journal = ("--journal", str(tmp_path / "journal.db"))
    said = refused(f"one={ONE}", f"two={TWO}", "--unit", "0417", *journal)

    assert said == (
        "there are several counters: say which one has the unit, such as --unit one=0417."
    )


@pytest.mark.parametrize("name", ["three", "One"])
def test_a_counter_that_is_not_there_has_no_unit(tmp_path: Path, name: str):
    """Names are as typed; the sentence lists those that there are."""
    journal = ("--journal", str(tmp_path / "journal.db"))
    said = refused(f"one={ONE}", f"two={TWO}", "--unit", f"{name}=0417", *journal)

    assert name in said
    assert "one" in said


def test_a_unit_is_on_one_counter_at_a_time(tmp_path: Path):
    """Typed twice, it is refused."""
    journal = ("--journal", str(tmp_path / "journal.db"))
    words = ("--unit", "one=0417", "--unit", "two=0417")
    said = refused(f"one={ONE}", f"two={TWO}", *words, *journal)

    assert said.startswith("one unit is given to two counters")


def test_a_unit_needs_a_journal():
    """As it is kept beside that; a bench file that names units goes on without."""
    said = refused(ONE, "--unit", "0417", "--no-journal")

    assert "leave out --no-journal" in said
    assert look_up_units({"one": "0417"}, None, typed=False) == UnitsOnBench()


def test_an_unknown_unit_is_not_made_where_nobody_can_be_asked(tmp_path: Path):
    """The sentence names a unit that differs in case only, and how to make this one."""
    RegisterFile(tmp_path / "register.db").add([Unit(ident="ab-7").draft()])
    said = refused(ONE, "--unit", "AB-7", "--journal", str(tmp_path / "journal.db"))

    assert said == (
        "there is no unit AB-7 yet. There is ab-7. Add --new to make it, or look at "
        "benchwatch units."
    )


@pytest.mark.parametrize("answer", [True, False])
def test_one_question_makes_a_unit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answer: bool):
    """On a terminal; with no, there is none."""
    asked: list[str] = []
    monkeypatch.setattr(watch_visits.sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(watch_visits.sys.stderr, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(
        watch_visits.click, "confirm", lambda question, **_: asked.append(question) or answer
    )
    register = RegisterFile(tmp_path / "register.db")
    plan = Plan(name="main", resource=ONE, nominal=NOMINAL, tolerance=5e-9, unit="0417")
    if answer:
        make_units([plan], (), register, new=False)
    else:
        with pytest.raises(UsageError, match="there is no unit 0417 yet"):
            make_units([plan], (), register, new=False)

    with read_register(register.path) as reader:
        made = reader.unit("0417")
    assert asked == ["There is no unit 0417 yet. Make it?"]
    assert made == (Unit(ident="0417", nominal_hz=NOMINAL, tolerance=5e-9) if answer else None)


def test_a_unit_gives_what_is_not_stated(register: RegisterFile):
    """Nominal, limits and working frequencies; the other counter has none of it."""
    plans = planned(look_up_units({"one": "0417"}, register.path, typed=True))

    assert plans["one"] == Plan(
        name="one",
        resource=ONE,
        driver=plans["one"].driver,
        nominal=NOMINAL,
        tolerance=5e-9,
        settle=SettleLimit(1e-9, 600.0),
        unit="0417",
        working_hz=(1e8,),
    )
    assert (plans["two"].unit, plans["two"].nominal) == (None, None)


def test_typed_goes_before_the_bench_file_and_that_before_the_unit(
    register: RegisterFile, tmp_path: Path
):
    """Tolerance typed, from the file, from the unit; what only the unit knows comes from it."""
    file = tmp_path / "bench.toml"
    file.write_text(BENCH_FILE, encoding="utf-8")
    named = units_on_bench((), (), register.path, bench=load_bench(file))
    from_file = planned(named, file)["one"]
    typed = planned(named, file, tolerance="1 ppb", settle="3ppb/1min")["one"]

    assert named.idents == {"one": "0417"}
    assert (from_file.tolerance, from_file.settle) == (2e-9, SettleLimit(1e-9, 600.0))
    assert (typed.tolerance, typed.settle) == (1e-9, SettleLimit(3e-9, 60.0))
    assert typed.nominal == from_file.nominal == NOMINAL
    assert typed.working_hz == (1e8,)


def test_a_typed_unit_goes_before_that_of_the_bench_file(register: RegisterFile, tmp_path: Path):
    """The file's stays for the others."""
    file = tmp_path / "bench.toml"
    file.write_text(BENCH_FILE, encoding="utf-8")
    named = units_on_bench(
        (("one", "0418"), ("two", "0417")), (), register.path, bench=load_bench(file)
    )

    assert named.idents == {"one": "0418", "two": "0417"}
    assert set(named.known) == {"two"}


def test_a_damaged_register_costs_the_limits_and_not_the_watch(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    """One sentence says so of all units."""
    path = tmp_path / "register.db"
    path.write_bytes(b"SQLite format 3\0" + b"\xa5" * 9000)
    units = look_up_units({"one": "0417", "two": "0418"}, path, typed=True)
    plans = [
        Plan(name=name, resource=where, nominal=NOMINAL, unit=ident)
        for name, where, ident in (("one", ONE, "0417"), ("two", TWO, "0418"))
    ]
    opened = open_visits(
        plans, units.known, tmp_path / "journal.db", new=True, resumes=True, begins_at_once=True
    )
    said = capsys.readouterr().err

    assert not units.known
    assert said.count("register is damaged") == 1
    assert "The units 0417, 0418 are not in it; the watch goes on." in said
    assert [visit.now.unit for visit in opened.visits.values()] == ["0417", "0418"]


def test_the_visit_with_a_record_is_said_first(tmp_path: Path):
    """Of two that go on, the trimmed one is what a person looks for."""
    register = RegisterFile(tmp_path / "register.db")
    plans = [
        Plan(name=name, resource=where, nominal=NOMINAL, unit=ident)
        for name, where, ident in (("one", ONE, "0418"), ("two", TWO, "0417"))
    ]
    for ident in ("0418", "0417"):
        register.add([Unit(ident=ident).draft()])
        drafts = visit_drafts(ident, 1.9e9)
        register.add(drafts[: 4 if ident == "0417" else 2])
    opened = open_visits(
        plans, ("one", "two"), tmp_path / "journal.db", new=False, resumes=True, begins_at_once=True
    )

    first, second = opened.sentences
    assert first.startswith("two: visit of 0417 goes on, last read ")
    assert "as found +36.97" in first
    assert second.startswith("one: visit of 0418 goes on, last read ")
    assert second.endswith("nothing on record yet")


def test_a_simulated_bench_has_a_register_of_its_own(tmp_path: Path):
    """Its units and visits never come among real ones."""
    journal = tmp_path / "journal.db"
    words = ("--sim", "quiet", "--unit", "0417", "--new", "--json", "--count", "2")
    done = run_program("watch", *words, "--journal", str(journal))
    real = run_program("units", "--json", "--journal", str(journal))
    simulated = run_program("units", "--json", "--sim", "--journal", str(journal))

    assert done.returncode == 0, done.stderr
    assert not (tmp_path / "register.db").exists()
    assert real.stdout == ""
    assert [json.loads(line)["ident"] for line in simulated.stdout.splitlines()] == ["0417"]


def test_lines_without_a_unit_leave_no_visit(tmp_path: Path):
    """A quick look into the bench is none."""
    journal = tmp_path / "journal.db"
    words = ("--sim", "quiet", "--json", "--count", "2", "--journal", str(journal))
    done = run_program("watch", *words)

    assert done.returncode == 0, done.stderr
    assert not (tmp_path / "register-simulated.db").exists()
