"""Issues: the same again is the same issue, a change makes the next, nothing is written over."""

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest
from issue_kit import (
    amend_record,
    check_issued,
    first_entry,
    issue,
    report_entries,
    request_of,
)
from pipeline_kit import StillClock
from register_kit import check_by_hand
from report_kit import MadeVisit, empty_visit, good_visit, hostile_visit

from benchwatch.errors import FileError, RegisterError, UsageError
from benchwatch.register import RegisterFile
from benchwatch.register.amending import amend_entry
from benchwatch.register.register_entry import Draft
from benchwatch.report.forms.form_list import FORMS
from benchwatch.report.issue import issuing
from benchwatch.report.issue.document_digests import content_digest
from benchwatch.report.issue.issuing import draft_document, issue_report
from benchwatch.report.laboratory.laboratory import Laboratory


@pytest.fixture
def made(tmp_path: Path) -> MadeVisit:
    """Return a good visit that is closed."""
    return good_visit(tmp_path / "bench")


def document(made: MadeVisit, name: str) -> dict[str, object]:
    """Return the document in a file of JSON."""
    values: dict[str, object] = json.loads((made.folder / name).read_text("utf-8"))
    return values


def add_note(made: MadeVisit, text: str) -> None:
    """Add a note to the visit, as another program may."""
    note = Draft(kind="note", document={"text": text}, unit="0418", visit=made.name)
    RegisterFile(made.register).add([note])


def test_every_form_of_one_issue(made):
    """All forms at once are issue 1, an entry each, and a plain checker finds them in order."""
    names = [f"report{ending}" for ending in FORMS]

    done = issue(made, *names)

    assert done.is_new
    assert done.issue.number == 1
    for name in names:
        assert check_issued(made.register, made.journal, made.folder / name)["issue"] == 1
    check_by_hand(made.register)
    stated = document(made, "report.json")
    assert stated["issue"]["identification"] == f"0418 / visit {made.number} / issue 1"
    assert stated["issue"]["replaces"] is None
    assert stated["register"]["head"] == done.issue.head.hash
    assert content_digest(stated) == done.issue.content


def test_the_same_again_is_the_same_issue(made):
    """Later, in another form: the first date stands, and the same file adds no entry."""
    first = issue(made, "a.json", clock=StillClock())
    later = StillClock()
    later.now_s += 86_400.0

    second = issue(made, "b.json", "c.html", clock=later)
    again = issue(made, "a.json", clock=later)

    assert not second.is_new
    assert second.issue == first.issue == again.issue
    assert [file.place for file in again.files] == ["there"]
    assert (made.folder / "b.json").read_bytes() == (made.folder / "a.json").read_bytes()
    assert [one["form"] for one in report_entries(made.register)] == [".json", ".html"]


def test_the_customers_page_is_a_file_of_the_same_issue(made):
    """It lacks the bench pages; number, date and content are those of the issue."""
    whole = issue(made, "whole.json")
    page = issue(made, "page.json", pages="customer")

    assert page.issue == whole.issue
    assert [one["name"] for one in document(made, "page.json")["pages"]] == ["customer"]
    assert [one["pages"] for one in report_entries(made.register)] == ["all", "customer"]


def test_an_amendment_makes_the_next_issue(made):
    """It names the old one, the old and the new result, and the amendment with its reason."""
    issue(made, "one.json")
    amend_record(made, 12.5e-9, "wrong counter noted")

    done = issue(made, "two.json")

    stated = document(made, "two.json")["issue"]
    old = document(made, "one.json")["issue"]
    assert done.issue.number == 2
    assert stated["replaces"] == {key: old[key] for key in ("number", "date", "identification")}
    assert stated["reason"] == "wrong counter noted"
    assert stated["changes"][0].startswith("as found: was (+36.970 ± ")
    assert "is now (+12.5" in stated["changes"][0]
    assert "amended: as found" in stated["changes"][1]
    assert "wrong counter noted" in stated["changes"][1]
    check_issued(made.register, made.journal, made.folder / "two.json")
    assert issue(made, "three.html").issue == done.issue


def test_a_typed_reason_goes_over(made):
    """With a change that has no reason of its own the report says that none was stated."""
    issue(made, "one.json")
    add_note(made, "seen after the report")
    second = issue(made, "two.json")
    add_note(made, "and one more")
    third = issue(made, "three.json", reason="the customer asked for it")

    assert second.issue.reason == "no reason stated"
    assert second.issue.changes == ("changed: the notes",)
    assert third.issue.reason == "the customer asked for it"
    assert third.replaces == second.issue


def test_another_laboratory_file_makes_the_next_issue(made):
    """What the laboratory states is part of the report."""
    issue(made, "one.json")

    done = issue(made, "two.json", laboratory=Laboratory(name="Workshop of the gauge station"))

    assert done.issue.number == 2
    assert done.issue.changes == ("changed: what the laboratory states",)


def test_readings_and_runs_that_were_added(tmp_path):
    """A report on an open visit says later which readings came in."""
    made = good_visit(tmp_path / "bench", closes=False)
    issue(made, "one.json")
    watched = made.bench.watch("0418")
    watched.feed(0.1, count=25)
    watched.end()

    done = issue(made, "two.json")

    assert "1 run added" in done.issue.changes
    assert "25 readings added" in done.issue.changes


def test_an_empty_visit_has_a_report(tmp_path):
    """A visit without a record and without a reading is reported as such."""
    made = empty_visit(tmp_path / "bench")

    done = issue(made, "empty.json", "empty.html")

    assert done.issue.number == 1
    assert document(made, "empty.json")["results"] == []


def test_a_withdrawn_record_is_no_longer_stated(made):
    """The next issue says so."""
    issue(made, "one.json")
    entry = first_entry(made, "record")
    amend_entry(RegisterFile(made.register), entry, None, "measured on the wrong channel")

    done = issue(made, "two.json")

    assert done.issue.changes[0].endswith("is no longer stated")


# --------------------------------------------------------------- files that are there


def test_an_earlier_issue_is_kept(made):
    """Its file is not written over, and nothing is added to the register."""
    issue(made, "one.html")
    before = (made.folder / "one.html").read_bytes()
    amend_record(made, 12.5e-9, "wrong counter noted")

    with pytest.raises(UsageError, match="is issue 1 of this report, and issued reports are kept"):
        issue(made, "one.html")

    assert (made.folder / "one.html").read_bytes() == before
    assert len(report_entries(made.register)) == 1


@pytest.mark.parametrize("name", ["notes.txt", "link.html", "pipe.html"])
def test_other_files_are_kept(made, name):
    """A file, a link to nowhere and a pipe at that place: refused, and nothing issued."""
    (made.folder / "notes.txt").write_text("my notes")
    (made.folder / "link.html").symlink_to("/nowhere/at/all")
    os.mkfifo(made.folder / "pipe.html")

    with pytest.raises(UsageError, match="stays as it is"):
        issue(made, name)

    assert (made.folder / "notes.txt").read_text() == "my notes"
    assert report_entries(made.register) == []


def test_a_draft_of_the_same_report_is_written_over(made):
    """That of another visit is kept."""
    draft = draft_document(request_of(made))
    (made.folder / "draft.html").write_bytes(FORMS[".html"].write(draft))
    other = draft | {"issue": draft["issue"] | {"identification": "0417 / visit 3 / draft"}}
    (made.folder / "other.html").write_bytes(FORMS[".html"].write(other))

    done = issue(made, "draft.html")

    assert [file.place for file in done.files] == ["draft"]
    check_issued(made.register, made.journal, made.folder / "draft.html")
    with pytest.raises(UsageError, match="stays as it is"):
        issue(made, "other.html")


@pytest.mark.parametrize("name", ["report", "report.doc", "report.PDFX"])
def test_an_ending_that_is_none(made, name):
    """The sentence names the endings that there are."""
    with pytest.raises(UsageError, match=r"\.html, \.pdf, \.txt"):
        issue(made, name)


def test_the_same_file_twice(made):
    """It is refused before anything is issued."""
    with pytest.raises(UsageError, match="asked for twice"):
        issue(made, "a.html", "a.html")


def test_files_in_a_folder_get_names(made):
    """They say of what they are; the customer's page has a name of its own."""
    whole = issue(made, ".")
    page = issue(made, ".", pages="customer")
    again = issue(made, ".")

    names = [done.files[0].path.name for done in (whole, page, again)]
    ending = issuing.usual_ending()
    assert names[0] == names[2] == f"0418-visit-{made.number}-issue-1{ending}"
    assert names[1] == f"0418-visit-{made.number}-issue-1-customer{ending}"


def test_a_hostile_name_of_a_unit_stays_in_its_folder(tmp_path):
    """The file's name has letters, digits, dots and dashes only, and no path."""
    made = hostile_visit(tmp_path / "bench")
    folder = tmp_path / "reports"
    folder.mkdir()

    done = issue_report(request_of(made), [folder], clock=StillClock())

    (file,) = folder.iterdir()
    assert done.files[0].path == file
    assert not set(file.name) & set('/\\<>:"|?* \n\x1b')
    check_issued(made.register, made.journal, file)


# --------------------------------------------------------------- what happens in between


def test_an_entry_that_comes_in_between_is_in_the_report(made, monkeypatch):
    """The report is made anew: its head is the last entry before it, whatever was added."""
    files, added = issuing._files, []

    def with_a_note(*arguments):  # type: ignore[no-untyped-def]
        if not added:
            added.append(add_note(made, "typed while the report was made"))
        return files(*arguments)

    monkeypatch.setattr(issuing, "_files", with_a_note)

    issue(made, "report.json")

    assert "typed while the report was made" in (made.folder / "report.json").read_text()
    check_issued(made.register, made.journal, made.folder / "report.json")


def test_a_register_that_is_always_written(made, monkeypatch):
    """After some tries nothing is issued, a sentence says so, and no file is left."""
    files = issuing._files

    def with_a_note(*arguments):  # type: ignore[no-untyped-def]
        add_note(made, "again")
        return files(*arguments)

    monkeypatch.setattr(issuing, "_files", with_a_note)

    with pytest.raises(RegisterError, match="nothing was issued"):
        issue(made, "report.json")
    assert not list(made.folder.glob("*report*"))
    assert not list(made.folder.glob(".benchwatch-*"))


def test_a_register_that_cant_be_written_leaves_no_file(made, monkeypatch):
    """Neither the file nor anything beside it is there afterwards."""

    def fails(*_):  # type: ignore[no-untyped-def]
        raise RegisterError("the register can't be written.")

    monkeypatch.setattr(RegisterFile, "add", fails)

    with pytest.raises(RegisterError):
        issue(made, "report.json")
    assert not list(made.folder.glob("*report*"))
    assert not list(made.folder.glob(".benchwatch-*"))


def test_a_name_that_is_taken_in_between(made, monkeypatch):
    """The issue is in the register; the same under another name gives its file."""
    add = RegisterFile.add

    def and_take_the_name(self, *arguments):  # type: ignore[no-untyped-def]
        (made.folder / "report.json").write_text("taken")
        return add(self, *arguments)

    with monkeypatch.context() as patched:
        patched.setattr(RegisterFile, "add", and_take_the_name)
        with pytest.raises(FileError, match="the same command with another name writes it"):
            issue(made, "report.json")
    done = issue(made, "again.json")

    assert (made.folder / "report.json").read_text() == "taken"
    assert not done.is_new
    assert len(report_entries(made.register)) == 1
    check_issued(made.register, made.journal, made.folder / "again.json")


def test_no_such_visit(made):
    """The sentence says what lists visits."""
    request = replace(request_of(made), visit="99")

    with pytest.raises(UsageError, match="there is no visit 99"):
        issue_report(request, [made.folder / "x.html"], clock=StillClock())


def test_no_register(made, tmp_path):
    """A register that is not there has no visit."""
    request = replace(request_of(made), register=tmp_path / "register.db")

    with pytest.raises(UsageError, match="there is no visit"):
        issue_report(request, [tmp_path / "x.html"], clock=StillClock())
