"""A file is found to be as issued or not, and so are the readings and the register behind it."""

import os
import sqlite3
from contextlib import closing
from inspect import unwrap
from pathlib import Path

import pytest
from issue_kit import amend_record, answers, issue, request_of, verify
from register_kit import behind_the_triggers
from report_kit import MadeVisit, empty_visit, good_visit

from benchwatch.clock import local_minute
from benchwatch.errors import FileError
from benchwatch.register.register_entry import entry_hash
from benchwatch.register.register_schema import SELECT, entry_of
from benchwatch.report.forms.form_list import FORMS
from benchwatch.report.issue import file_claims
from benchwatch.report.issue.file_claims import read_claim
from benchwatch.report.issue.issuing import draft_document
from benchwatch.report.issue.verifying import verify_report

HOSTILE = {
    "empty.json": b"",
    "zeros.pdf": b"\0" * 300_000,
    "deep.json": b"[" * 200_000,
    "nested.json": b'{"a":' * 50_000,
    "quote.json": b'{"issue":{"identification":"' + b"\\" * 199_999,
    "escape.json": b'{"identification":"\\u12 / visit 1 / issue 1"}',
    "title.html": b"<!doctype html><title>" + b"a / visit " * 20_000 + b"</title>",
    "slashes.txt": b" / visit 1" * 20_000,
    "pdf.pdf": b"%PDF-1.7\n" + b"<dc:title><rdf:Alt><rdf:li " * 9_000,
    "entities.xml": b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "c">]><uniqueIdentifier>&b;</x>',
    "binary.txt": bytes(range(256)) * 500,
}
"""Files that are no reports."""


@pytest.fixture
def made(tmp_path: Path) -> MadeVisit:
    """Return a good visit that is closed, with its report as HTML and JSON."""
    made = good_visit(tmp_path / "bench")
    issue(made, "report.html", "report.json")
    return made


@pytest.mark.parametrize("ending", FORMS)
def test_a_report_as_issued_is_sound(made, ending):
    """In every form: the file, the register, its head and the readings; and it is the newest."""
    issue(made, f"again{ending}")

    found = verify(made, f"again{ending}")

    assert found.sound
    told = answers(found)
    assert [one for one in told if told[one].sound] == ["file", "register", "head", "readings"]
    assert f"0418 / visit {made.number} / issue 1" in told["file"].text
    assert "2024 readings are unchanged" in told["readings"].text
    assert "newest issue" in told["newest"].text


@pytest.mark.parametrize("ending", FORMS)
def test_a_file_that_was_changed(made, ending):
    """One byte more: the sentence says which issue it claims to be, and that it was changed."""
    path = made.folder / f"changed{ending}"
    issue(made, path.name)
    path.write_bytes(path.read_bytes() + b"\n")

    found = verify(made, path.name)

    assert not found.sound
    (told,) = found.findings
    assert f"it says that it is 0418 / visit {made.number} / issue 1" in told.text
    assert "It was changed afterwards" in told.text


@pytest.mark.parametrize("ending", FORMS)
def test_a_draft_is_said_to_be_one(made, ending):
    """Drafts are in no register."""
    path = made.folder / f"draft{ending}"
    path.write_bytes(FORMS[ending].write(draft_document(request_of(made))))

    found = verify(made, path.name)

    assert not found.sound
    assert found.findings[0].text.endswith("and drafts are in no register.")


def test_an_issue_that_the_register_never_had(made, tmp_path):
    """A report of another bench is said to be issued elsewhere, or never."""
    other = unwrap(good_visit)(tmp_path / "other")
    issue(other, "one.json")
    amend_record(other, 1e-9, "wrong")
    issue(other, "two.json")

    found = verify_report(other.folder / "two.json", [made.register], local_minute)

    assert not found.sound
    assert "was issued elsewhere, or never" in found.findings[0].text


@pytest.mark.parametrize("name", HOSTILE)
def test_what_is_no_report(made, name):
    """Hostile files are read without a fault, and said to be in no register."""
    (made.folder / name).write_bytes(HOSTILE[name])

    found = verify(made, name)

    assert not found.sound
    assert "It was changed" not in found.findings[0].text


def test_a_file_that_claims_terminal_commands(made):
    """What a file says of itself is shown without control characters."""
    (made.folder / "x.txt").write_text("\x1b]0;owned\x07\x1b[2J9 / visit 1 / issue 1\n")

    text = verify(made, "x.txt").findings[0].text

    assert "\x1b" not in text
    assert "9 / visit 1 / issue 1" in text


def test_a_huge_file_is_refused(made, monkeypatch):
    """It is read up to the limit, and the sentence names the limit."""
    monkeypatch.setattr(file_claims, "LARGEST_BYTES", 3_000_000)
    with (made.folder / "huge.pdf").open("wb") as file:
        file.truncate(1_000_000_000_000)

    with pytest.raises(FileError, match="none has more than 3 MB"):
        read_claim(made.folder / "huge.pdf")


@pytest.mark.parametrize("name", ["missing.pdf", "folder", "pipe"])
def test_what_cant_be_read(made, name):
    """A missing file, a folder and a pipe that nobody writes to are refused at once."""
    (made.folder / "folder").mkdir()
    os.mkfifo(made.folder / "pipe")

    with pytest.raises(FileError, match="can't be read"):
        verify(made, name)


def test_an_older_issue_is_superseded(made):
    """It is as it was issued; the newer issue and the amendment are said."""
    amend_record(made, 12.5e-9, "wrong counter noted")
    issue(made, "two.html")

    old, new = verify(made, "report.html"), verify(made, "two.html")

    assert old.sound
    assert new.sound
    assert "SUPERSEDED by issue 2" in answers(old)["newest"].text
    assert "wrong counter noted" in answers(old)["amendments"].text
    assert "amendments" not in answers(new)


def test_later_readings_are_no_fault(tmp_path):
    """Readings of an open visit that came after the issue are counted."""
    made = good_visit(tmp_path / "bench", closes=False)
    issue(made, "report.html")
    watched = made.bench.watch("0418")
    watched.feed(0.1, count=25)
    watched.end()

    found = verify(made, "report.html")

    assert found.sound
    texts = [one.text for one in found.findings if one.question == "readings"]
    assert texts == [
        "its 2024 readings are unchanged.",
        "25 readings of the visit came later and are not in it.",
    ]


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE readings SET text = '10000000.0001' WHERE number = 7",
        "UPDATE readings SET utc_s = utc_s + 1e-3 WHERE number = 7",
        "UPDATE readings SET flags = 'spike' WHERE number = 7",
    ],
)
def test_a_changed_reading_is_found(made, change):
    """A digit, a time or a flag of one reading."""
    with closing(sqlite3.connect(made.journal)) as journal, journal:
        journal.execute(change)

    found = verify(made, "report.html")

    assert not found.sound
    assert "are NOT those of this issue" in answers(found)["readings"].text


def test_a_reading_that_was_removed_is_missed(made):
    """Fewer readings are at hand than the issue rests on."""
    with closing(sqlite3.connect(made.journal)) as journal, journal:
        journal.execute("DELETE FROM readings WHERE number = 7")

    found = verify(made, "report.html")

    assert not found.sound
    assert "can't be verified: 202" in answers(found)["readings"].text


def test_a_journal_that_is_elsewhere(made):
    """The sentence says where to bring it; with it back all is sound."""
    moved = made.journal.rename(made.folder.parent / "moved.db")
    away = verify(made, "report.html")
    moved.rename(made.journal)
    back = verify(made, "report.html")

    assert not away.sound
    assert "Bring the journals of the visit there" in answers(away)["readings"].text
    assert back.sound


def test_a_visit_without_readings(tmp_path):
    """Nothing is behind it that could have changed, and that is said."""
    made = empty_visit(tmp_path / "bench")
    issue(made, "report.html")

    found = verify(made, "report.html")

    assert found.sound
    assert answers(found)["readings"].sound is None


def test_a_changed_entry_is_found(made):
    """A changed record: the chain names the entry, and the report is not sound."""
    with behind_the_triggers(made.register) as register:
        register.execute("UPDATE entries SET who = 'nobody' WHERE kind = 'record'")

    found = verify(made, "report.html")

    assert not found.sound
    assert "was changed" in answers(found)["register"].text


def test_entries_that_were_replaced_up_to_the_head_are_found(made):
    """A chain written anew is sound in itself; the head on the report shows that it is another."""
    with behind_the_triggers(made.register) as register:
        register.execute("UPDATE entries SET who = 'nobody' WHERE kind = 'record'")
        before = ""
        for row in register.execute(f"{SELECT} ORDER BY number").fetchall():
            entry = entry_of(row)
            before = entry_hash(before, entry)
            register.execute("UPDATE entries SET hash = ? WHERE number = ?", (before, entry.number))

    found = verify(made, "report.html")

    assert not found.sound
    assert answers(found)["register"].sound
    assert "is NOT there" in answers(found)["head"].text


def test_registers_are_asked_in_turn(made, tmp_path):
    """A register that is missing has nothing; one that is damaged is no fault of another's file."""
    damaged = tmp_path / "damaged.db"
    damaged.write_bytes(b"no database" * 100)
    missing = tmp_path / "missing.db"

    found = verify_report(
        made.folder / "report.html", [missing, damaged, made.register], local_minute
    )

    assert found.sound


def test_no_register_at_all(made, tmp_path):
    """Nothing can be verified, and the sentence says where a register was looked for."""
    found = verify_report(made.folder / "report.html", [tmp_path / "register.db"], local_minute)

    assert not found.sound
    assert "there is no register at" in found.findings[0].text
