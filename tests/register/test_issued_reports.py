"""Entries of the kind ``report``: read as issues of the visit, and left out where they are bad."""

import json
from pathlib import Path

import pytest
from command_kit import Command, command_in
from register_kit import check_by_hand, read_all, visit_drafts

from benchwatch.errors import UsageError
from benchwatch.register import RegisterFile, Visit, read_register
from benchwatch.register.amending import amend_entry
from benchwatch.register.issued_report import (
    ChainHead,
    Fingerprint,
    ReportIssue,
    issued_file_values,
)
from benchwatch.register.register_entry import Draft

A, B, C = "a" * 64, "b" * 64, "c" * 64
ISSUE = ReportIssue(
    number=1,
    issued_utc_s=2_000_000_000.0,
    identification="0417 / visit 1 / issue 1",
    content=A,
    parts={"laboratory": "0123456789abcdef"},
    results=(("as found", "+36.97 ppb"),),
    amendments=("1234abcd/7",),
    readings=Fingerprint(sha256=B, readings=48, last_numbers=((7 << 40, 48),)),
    head=ChainHead(chain="1234abcd", entry="1234abcd/9", hash=C),
    reason="",
    replaces="",
    changes=(),
)
VALUES = issued_file_values(ISSUE, form=".pdf", pages="all", file="0417.pdf", sha256=C)


@pytest.fixture
def register(tmp_path: Path) -> RegisterFile:
    """Return a register with one visit of unit 0417."""
    register = RegisterFile(tmp_path / "register.db")
    register.add(visit_drafts("0417", 2e9))
    return register


def visit_with(register: RegisterFile, *documents: dict[str, object]) -> Visit:
    """Return the visit after entries of the kind ``report`` with these documents were added."""
    with read_register(register.path) as reader:
        name = reader.visit_names()[0]
    drafts = [Draft(kind="report", document=one, unit="0417", visit=name) for one in documents]
    register.add(drafts)
    with read_register(register.path) as reader:
        visit = reader.visit(name)
    assert visit is not None
    return visit


def test_an_issue_is_read_as_it_was_written(register):
    """All that an entry states comes back, once for each file, and the chain stays sound."""
    html = issued_file_values(ISSUE, form=".html", pages="customer", file="0417.html", sha256=A)

    visit = visit_with(register, VALUES, html)

    assert [one.issue for one in visit.issues] == [ISSUE, ISSUE]
    assert [(one.form, one.pages, one.sha256) for one in visit.issues] == [
        (".pdf", "all", C),
        (".html", "customer", A),
    ]
    assert visit.newest_issue == visit.issues[0]
    assert not [one for one in visit.remarks if one.kind == "report"]
    check_by_hand(register.path)


@pytest.mark.parametrize(
    "changed",
    [
        {"issue": 0}, {"issue": True}, {"issue": "1"}, {"sha256": "x"}, {"sha256": 5},
        {"content": A[:-1]}, {"parts": 5}, {"results": None}, {"results": [["one"]]},
        {"readings": {"sha256": A}}, {"readings": []}, {"head": {"chain": 1}}, {"reason": None},
        {"amendments": "none"}, {"issued_utc_s": "now"}, {"issue": None},
        {"results": [["a", "b"]] * 5001}, {"parts": "ab"},
    ],
)  # fmt: skip
def test_a_bad_document_is_left_out(register, changed):
    """What can't be read as an issue is none; the visit and its other issues stay readable."""
    visit = visit_with(register, VALUES | changed, VALUES)

    assert len(visit.issues) == 1
    assert visit.records


@pytest.mark.parametrize("missing", sorted(VALUES))
def test_a_document_with_a_value_missing_is_left_out(register, missing):
    """Every value is needed: an entry without one of them is no issue."""
    visit = visit_with(register, {key: one for key, one in VALUES.items() if key != missing})

    assert visit.issues == ()
    assert visit.newest_issue is None


def test_a_report_entry_is_not_amended(register):
    """An issued report stays as it is; the message says to issue it anew."""
    visit_with(register, VALUES)
    entry = next(one for one in read_all(register) if one.kind == "report")

    with pytest.raises(UsageError, match="issue it anew"):
        amend_entry(register, entry, VALUES, "wrong")


@pytest.fixture
def run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Return what runs a command in this process."""
    return command_in(capsys, monkeypatch, tmp_path)


def test_visits_show_lists_the_reports(register, run):
    """As a table with a row a file, and as JSON with all that the entry states."""
    visit_with(register, VALUES)
    where = ("--journal", str(register.path.with_name("journal.db")))

    shown = run("visits", "show", "1", *where).out
    line = run("visits", "show", "1", "--json", *where).lines[0]

    row = next(line for line in shown.splitlines() if "issue 1" in line)
    assert "0417.pdf" in row
    assert C[:12] in row
    (stated,) = line["reports"]
    assert json.loads(json.dumps(VALUES)).items() <= stated.items()
