"""``benchwatch units``: lists, shows, sets, and says which are due."""

import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from register_kit import record

from benchwatch.commands.common import fitted_table
from benchwatch.commands.units import units
from benchwatch.commands.visits import visits
from benchwatch.errors import QuantityError, UsageError
from benchwatch.reading import AS_FOUND, AS_LEFT
from benchwatch.register import RegisterFile, Unit, read_register
from benchwatch.register.register_entry import Draft

DAY_S = 86400.0
NOW = 1.97e9


def visit(ident: str, utc_s: float, found: float, left: float) -> list[Draft]:
    """Return a closed visit with offsets in ppb."""
    kinds = ((AS_FOUND, found, 0.0), (AS_LEFT, left, 3600.0))
    records = [
        {"record": record(kind, ppb * 1e-9, utc_s=utc_s + later).as_dict(), "automatic": False}
        for kind, ppb, later in kinds
    ]
    opening = {"source": "watch", "counter": "main", "resource": "", "nominal_hz": "10000000"}
    documents = [("visit", opening), *(("record", one) for one in records), ("closed", {})]
    return [
        Draft(kind=kind, document=document, unit=ident, at_utc_s=utc_s + 3600.0)  # type: ignore[arg-type]
        for kind, document in documents
    ]


@pytest.fixture
def register(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> RegisterFile:
    """Return a register: 0417 ages 1.6 ppb a year, 0418 was left outside, 0419 came once."""
    monkeypatch.setattr(time, "time", lambda: NOW)
    made = RegisterFile(tmp_path / "register.db")
    for ident in ("0417", "0418", "0419"):
        made.add([Unit(ident=ident, tolerance=5e-9).draft()])
    for year, (found, left) in enumerate([(37.0, 0.0), (1.6, 0.0), (1.6, 0.0), (1.6, 0.1)]):
        made.add(visit("0417", NOW - (4 - year) * 365.25 * DAY_S, found, left))
    made.add(visit("0418", NOW - 100 * DAY_S, 9.0, 8.0))
    made.add(visit("0419", NOW - 100 * DAY_S, 9.0, 0.0))
    return made


def run(register: RegisterFile, *words: str) -> Result:
    """Run the command on a register; an error is raised."""
    beside = ("--journal", str(register.path.parent / "journal.db"))
    named = words[:1] in [(name,) for name in units.commands]
    typed = [*words[:1], *beside, *words[1:]] if named else [*beside, *words]
    return CliRunner().invoke(units, typed, catch_exceptions=False, standalone_mode=False)


def lines(result: Result) -> list[dict[str, Any]]:
    """Return the JSON lines that were printed."""
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_list(register: RegisterFile) -> None:
    """A line a unit: newest record with u, side of the tolerance, due in words."""
    rows = run(register).stdout.splitlines()

    assert rows[1].startswith("0417")
    assert "+0.100 ± 0.014 ppb  inside   due about" in rows[1]
    assert rows[2].endswith("outside  outside now")
    assert rows[3].endswith("can't tell yet: one visit only")


def test_a_narrow_terminal(register: RegisterFile, monkeypatch: pytest.MonkeyPatch) -> None:
    """On 80 columns the words on the due date stand below each row, and no line is wider."""
    monkeypatch.setattr(fitted_table, "terminal_columns", lambda: 80)

    rows = run(register).stdout.splitlines()

    assert rows[2].startswith("      due about")
    assert max(map(len, rows)) <= 80


def test_due_soonest_first(register: RegisterFile) -> None:
    """Outside comes first, then by date; a unit that can't be told about is left out."""
    soon = [one["ident"] for one in lines(run(register, "--due", "--json"))]
    within = [one["ident"] for one in lines(run(register, "--due", "1y", "--json"))]
    far = [one["ident"] for one in lines(run(register, "--due", "4y", "--json"))]

    assert soon == far == ["0418", "0417"]
    assert within == ["0418"]


def test_whatever_may_be_due_within_the_time_is_listed(register: RegisterFile) -> None:
    """Outside, too near to tell, or perhaps now already, though expected far later."""
    register.add([Unit(ident="0420", tolerance=5e-9).draft()])
    register.add(visit("0420", NOW - 400 * DAY_S, 9.0, 0.0))
    register.add(visit("0420", NOW - 10 * DAY_S, 2.0, 4.5))
    register.add([Unit(ident="0421", tolerance=5e-9).draft()])
    register.add(visit("0421", NOW - 50 * DAY_S, 9.0, 5.01))

    found = {one["ident"]: one for one in lines(run(register, "--due", "30d", "--json"))}
    words = run(register, "--due", "30d")

    expected = {ident: one["due"]["date"] for ident, one in found.items()}
    assert list(found) == ["0418", "0421", "0420"]
    assert expected["0420"] > "2032-07-05"
    assert "none is due" not in words.stderr
    assert (found["0421"]["inside"], found["0421"]["side"]) == (None, "undecided")


def test_one_rule_for_the_side(register: RegisterFile) -> None:
    """Too near to tell in the list, on the page of the unit and on that of the visit."""
    register.add([Unit(ident="0421", tolerance=5e-9).draft()])
    register.add(visit("0421", NOW - 50 * DAY_S, 9.0, 5.01))

    row = run(register).stdout.splitlines()[-1]
    page = run(register, "show", "0421").stdout
    beside = ("--journal", str(register.path.parent / "journal.db"))
    of_visit = CliRunner().invoke(visits, ["show", *beside, "7"], catch_exceptions=False).stdout

    assert "too near to tell" in row
    assert "outside" not in row
    assert ", too near 5 ppb to tell" in page
    assert "as left, entry" in of_visit
    assert ": too near 5 ppb to tell" in of_visit
    assert ": outside 5 ppb" in of_visit


def test_a_record_with_a_caution_is_marked(register: RegisterFile) -> None:
    """In the list, on the page with its reason, and for programs."""
    register.add([Unit(ident="0421", tolerance=5e-9).draft()])
    opening, found, left, closed = visit("0421", NOW - 50 * DAY_S, 9.0, 0.1)
    made = record(AS_LEFT, 0.1e-9, utc_s=NOW - 50 * DAY_S)
    made = replace(made, conditions=(("caution", "the tool is on the trimmer"),))
    left = replace(left, document={"record": made.as_dict(), "automatic": False})
    register.add([opening, found, left, closed])

    listed, page = run(register), run(register, "show", "0421").stdout
    unit = lines(run(register, "show", "0421", "--json"))[0]

    assert "+0.100 ± 0.014 ppb !" in listed.stdout.splitlines()[-1]
    assert "! stands at records that say why they may be wrong" in listed.stderr
    assert "caution (newest record): the tool is on the trimmer" in page
    assert unit["newest"]["caution"] == "the tool is on the trimmer"


def test_show(register: RegisterFile) -> None:
    """All of a unit: what it is, its visits, the changes between them and its ageing."""
    text = run(register, "show", "0417").stdout

    assert "tolerance 5 ppb" in text
    assert "due about" in text
    assert "ageing +1.6" in text
    assert "a year over 3 intervals" in text
    assert "changes from as left of one visit to as found of the next" in text
    assert "95 % between" in text


def test_show_json(register: RegisterFile) -> None:
    """The unit, its visits and the intervals, as JSON lines."""
    found = lines(run(register, "show", "0417", "--json"))

    assert [one["kind"] for one in found] == ["unit", *["visit"] * 4, *["interval"] * 3]
    unit = found[0]
    assert unit["ageing"]["per_year"] == pytest.approx(1.6e-9, rel=0.01)
    assert unit["due"]["state"] == "known"
    assert unit["due"]["earliest"] < unit["due"]["date"]
    assert unit["inside"] is True
    assert unit["in_a_year"]["low"] < 1.7e-9 < unit["in_a_year"]["high"]


def test_set_makes_and_changes(register: RegisterFile) -> None:
    """What is typed is changed, the rest stays; a limit in hertz goes by the nominal."""
    made = run(
        register, "set", "0455", "--nominal", "10MHz", "--tolerance", "50mHz", "--settle",
        "1ppb/10min", "--at", "162.4MHz", "--at", "100MHz", "--description", "spare oven",
    )  # fmt: skip
    changed = run(register, "set", "0455", "--place", "shelf 3")
    again = run(register, "set", "0455", "--place", "shelf 3")

    assert "0455 is made." in made.stderr
    assert "0455 is changed." in changed.stderr
    assert "nothing is written" in again.stderr
    with read_register(register.path) as reader:
        unit = reader.unit("0455")
        count = len(list(reader.entries("unit = '0455'")))
    assert unit is not None
    assert unit.tolerance == pytest.approx(5e-9)
    assert (unit.settle, unit.settle_horizon_s) == (1e-9, 600.0)
    assert unit.working_hz == (162.4e6, 100e6)
    assert (unit.description, unit.place) == ("spare oven", "shelf 3")
    assert count == 2


def test_set_names_one_that_differs_in_case(register: RegisterFile) -> None:
    """A unit that is spelled almost the same is pointed out."""
    run(register, "set", "Ab1", "--place", "here")

    assert "There is Ab1 too" in run(register, "set", "ab1", "--place", "there").stderr


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (("set", "0455", "--tolerance", "50mHz"), QuantityError),
        (("set", "0455", "--description", "x" * 10_000), UsageError),
        (("show", "0999"), UsageError),
        (("show", "\u202e0417"), Exception),
    ],
)
def test_what_is_refused(
    register: RegisterFile, words: tuple[str, ...], error: type[Exception]
) -> None:
    """Each is a sentence without control characters, and nothing is written."""
    with pytest.raises(error) as caught:
        run(register, *words)

    assert str(caught.value).isprintable()


def test_text_that_controls_a_terminal(register: RegisterFile) -> None:
    """A description with an escape is kept harmless."""
    run(register, "set", "0455", "--description", "oven\x1b[2J\x07")

    assert run(register, "show", "0455").stdout.splitlines()[0].isprintable()


def test_no_units(tmp_path: Path) -> None:
    """An empty register is said, and not made by looking."""
    empty = RegisterFile(tmp_path / "register.db")

    assert "there are no units" in run(empty).stderr
    assert "there are no units" in run(empty, "--due").stderr
    assert not empty.path.exists()
