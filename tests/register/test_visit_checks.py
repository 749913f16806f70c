"""Tests of checks at other dial settings in the register."""

import json
from pathlib import Path

from check_kit import dial_check
from click.testing import CliRunner
from pipeline_kit import StillClock
from register_kit import begun_visit, check_by_hand

from benchwatch.commands.visits import visits
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_reader import read_register
from benchwatch.register.register_writer import RegisterWriter


def checked_visit(path: Path) -> None:
    """Write a visit with three checks, two of them at one setting."""
    writer = RegisterWriter(RegisterFile(path), clock=StillClock())
    visit = begun_visit(writer)
    for check in (
        dial_check(1e8, 1.1e-9, "can't tell", 9),
        dial_check(12.5e6, 1.998e-8, "does not follow"),
        dial_check(1e8, 3e-11),
    ):
        visit.write_check("in words", check.as_dict())
    writer.close()


def test_newest_check_at_a_setting_counts(tmp_path: Path) -> None:
    """A visit has one check a setting, the newest; all entries stay in the chain."""
    path = tmp_path / "register.db"
    checked_visit(path)
    with read_register(path) as register:
        (name,) = register.visit_names()
        visit = register.visit(name)

    assert visit is not None
    assert [(one.check.setting_hz, one.check.verdict) for one in visit.checks] == [
        (1e8, "follows"),
        (12.5e6, "does not follow"),
    ]
    assert not [one for one in visit.remarks if one.kind == "check"]
    check_by_hand(path)


def test_visit_shows_its_checks(tmp_path: Path) -> None:
    """The visit prints a table with difference ± U and verdict, and all numbers as JSON."""
    checked_visit(tmp_path / "register.db")
    journal = ["--journal", str(tmp_path / "journal.db")]
    page = CliRunner().invoke(visits, ["show", "1", *journal])
    lines = CliRunner().invoke(visits, ["show", "1", "--json", *journal])

    assert "+19.98 ± 0.29 ppb" in page.output
    assert "does not follow" in page.output
    assert [one["expanded"] for one in json.loads(lines.output.splitlines()[0])["checks"]] == [
        2.9e-10,
        2.9e-10,
    ]


def test_what_is_no_check_is_left_out(tmp_path: Path) -> None:
    """An entry that was changed by hand gives no check, and no error."""
    path = tmp_path / "register.db"
    writer = RegisterWriter(RegisterFile(path), clock=StillClock())
    begun_visit(writer).write_check("words", {"verdict": "perhaps", "setting_hz": "far"})
    writer.close()
    with read_register(path) as register:
        visit = register.visit(register.visit_names()[0])

    assert visit is not None
    assert visit.checks == ()
