"""``report`` on the screen: issues the report on the visit of the counter, and says its path."""

import os
from pathlib import Path

import pytest
import screen_kit as kit
from issue_kit import check_issued, report_entries
from report_kit import MadeVisit, good_visit

from benchwatch.screen import reporting
from benchwatch.screen.app import BenchwatchApp
from benchwatch.screen.display_options import DisplayOptions
from benchwatch.screen.drawing.theme import Theme
from benchwatch.screen.reporting import ReportToIssue
from benchwatch.screen.typed_commands import ReportCommand, suggestions
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.snapshot import VisitNow
from benchwatch.system.processes import LOW_PRIORITY

OPEN = VisitNow(unit="0418", number=1)


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> MadeVisit:
    """Return a good visit that is closed."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return good_visit(tmp_path / "bench")


def job(made: MadeVisit, **changed: object) -> ReportToIssue:
    """Return the report on the made visit, to be issued."""
    values = {"visit": OPEN, "journal": made.journal, "folder": made.folder / "reports"} | changed
    return ReportToIssue(**values)  # type: ignore[arg-type] # its fields


async def test_a_typed_report_is_issued(made):
    """The sentence has the whole path and the issue; the file is in the folder of reports."""
    watch = kit.FakeWatch(kit.full_snapshot(visit=OPEN), operator=kit.FakeOperator())
    folder = made.folder / "reports"
    options = DisplayOptions(theme=Theme(), state=None, reports=folder, journal=made.journal)
    app = BenchwatchApp(watch, options=options, every_s=None)
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.pause()
        await pilot.press(":", *"report", "enter")
        await app.workers.wait_for_complete()
        await pilot.pause()
        sentence = app.screen_state.frame().message

    (file,) = folder.iterdir()
    assert sentence == f"report: {file}, 0418 / visit 1 / issue 1"
    assert file.stem == "0418-visit-1-issue-1"
    assert watch.visit_changes == [("report on visit 1", sentence)]
    check_issued(made.register, made.journal, file)


def test_the_same_again_says_so(made):
    """Nothing has changed: the same file, the same issue."""
    first, second = job(made).issue(), job(made).issue()

    assert second == f"{first}, which has not changed"
    assert len(list((made.folder / "reports").iterdir())) == 1
    assert len(report_entries(made.register)) == 1


def test_what_is_not_written_is_not_noted(made):
    """Only a report that was issued goes into the notes."""
    noted: list[tuple[int, str]] = []

    refused = job(made, typed="x.odt", note=lambda *said: noted.append(said)).issue()
    issued = job(made, note=lambda *said: noted.append(said)).issue()

    assert "issue 1" not in refused
    assert noted == [(1, issued)]


@pytest.mark.parametrize(
    ("typed", "where"),
    [("mine.html", "reports/mine.html"), ("../mine.txt", "mine.txt"), ("mine.json", None)],
)
def test_a_name_may_be_typed(made, typed, where):
    """Relative ones count from the folder of reports; a whole path goes where it says."""
    path = made.folder / (where or "elsewhere.json")

    sentence = job(made, typed=typed if where else str(path)).issue()

    assert path.resolve().is_file()
    assert "issue 1" in sentence


def test_from_a_page_only_a_name(made):
    """An operator at another computer chooses no folder of this one."""
    refused = job(made, typed="/etc/report.html", elsewhere=True).issue()
    taken = job(made, typed="page.html", elsewhere=True).issue()

    assert "type a name without a folder" in refused
    assert taken.startswith("report on the bench's computer: ")
    assert (made.folder / "reports" / "page.html").is_file()


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"journal": None}, "nothing of this run is kept"),
        ({"visit": None}, "there is nothing to report yet"),
        ({"visit": VisitNow(unit="0418")}, "there is nothing to report yet"),
        ({"visit": VisitNow(trouble="the disk is full.")}, "the disk is full."),
        ({"visit": VisitNow(number=7)}, "there is no visit 7"),
        ({"visit": VisitNow(number=1, simulated=True)}, "there is no visit 1"),
        ({"typed": "x.doc"}, "the ending says in which form"),
        ({"typed": "/nowhere/x.html"}, "can't be written: No such file"),
        ({"typed": "bad\0name.html"}, "null"),
    ],
)
def test_what_cant_be_reported_is_a_sentence(made, changed, sentence):
    """One sentence without the program's name, and nothing is issued."""
    said = job(made, **changed).issue()

    assert sentence in said
    assert not said.startswith("benchwatch:")
    assert report_entries(made.register) == []


def test_a_folder_that_cant_be_made(made):
    """A file is in its place: another place is named as an example."""
    (made.folder / "reports").write_text("no folder")

    said = job(made).issue()

    assert "can't be made" in said
    assert "report ~/report.pdf" in said


@pytest.mark.parametrize(
    ("program", "sentence"),
    [
        ("exec sleep 600", "was given up after"),
        ("echo nonsense", "no reason was given"),
        ("echo '[1]'; exit 1", "no reason was given"),
        ("echo Traceback >&2; echo 'benchwatch: \033[2Jfull' >&2; exit 5", "full"),
    ],
)
def test_a_program_that_goes_wrong(made, monkeypatch, tmp_path, program, sentence):
    """One that hangs is ended, one that says nothing useful is said to; no escape comes through."""
    path = tmp_path / "python"
    path.write_text(f"#!/bin/sh\n{program}\n")
    path.chmod(0o755)
    monkeypatch.setattr(reporting.sys, "executable", str(path))
    monkeypatch.setattr(reporting, "LONGEST_S", 0.2)

    said = job(made).issue()

    assert sentence in said
    assert "\033" not in said


def test_no_program_at_all(made, monkeypatch):
    """A sentence says why it could not be started."""
    monkeypatch.setattr(reporting.sys, "executable", "/nowhere/python")

    assert "can't be made: No such file" in job(made).issue()


def test_it_runs_behind_the_readings(made, monkeypatch, tmp_path):
    """The program that makes a report gives way to the one that reads."""
    path = tmp_path / "python"
    path.write_text('#!/bin/sh\nsleep 0.3\necho "benchwatch: priority $(nice)" >&2\nexit 1\n')
    path.chmod(0o755)
    monkeypatch.setattr(reporting.sys, "executable", str(path))

    said = job(made).issue()

    assert said == f"priority {min(os.nice(0) + LOW_PRIORITY, 19)}" or said == "priority 10"


def test_a_recording_has_no_report():
    """The word is offered to an operator of a live watch, and not beside a recording."""
    view = VIEWS.named("trim")

    live = suggestions("report", VIEWS, view, {"operator"})
    recorded = suggestions("report x.pdf", VIEWS, view, set())

    assert ReportCommand("") in [one.command for one in live]
    assert not [one for one in recorded if isinstance(one.command, ReportCommand)]
