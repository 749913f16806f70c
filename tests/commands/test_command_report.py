"""``benchwatch report``: drafts, issues, the laboratory file, keys, and ``report verify``."""

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from command_kit import Command, Done, command_in
from issue_kit import amend_record, check_issued, report_entries
from program_kit import COMMAND
from report_kit import MadeVisit, good_visit
from terminal_kit import Terminal

from benchwatch.commands.common.signing_password import VARIABLE
from benchwatch.report.forms.form_list import FORMS

Report = Callable[..., Done]


@pytest.fixture
def run(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Command:
    """Return what runs a command in this process, with a configuration folder of its own."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return command_in(capsys, monkeypatch, tmp_path)


@pytest.fixture
def made(tmp_path: Path) -> MadeVisit:
    """Return a good visit that is closed."""
    return good_visit(tmp_path / "bench")


@pytest.fixture
def report(run: Command, made: MadeVisit) -> Report:
    """Return what runs ``report`` beside the journal of the visit."""
    return lambda *words: run("report", *words, "--journal", str(made.journal))


def test_a_draft_on_standard_output(report, made):
    """It is text, says that it is a draft, and nothing is written to the register."""
    done = report("1")

    assert done.code == 0
    assert "0418 / visit 1 / draft" in done.out
    assert "DRAFT" in done.out
    assert max(map(len, done.out.splitlines())) <= 80
    assert report_entries(made.register) == []


def test_the_document_on_standard_output(report, made):
    """``--json`` prints report.json, with the customer's page alone where that is asked for."""
    document = json.loads(report("1", "--json", "--page", "customer").out)

    assert document["format"] == "benchwatch report 1"
    assert document["issue"]["state"] == "draft"
    assert [page["name"] for page in document["pages"]] == ["customer"]
    assert report_entries(made.register) == []


def test_a_draft_is_as_wide_as_the_terminal(made, tmp_path):
    """On a terminal of 110 columns text goes up to there, and not beyond."""
    words = [*COMMAND, "report", "1", "--journal", str(made.journal)]
    terminal = Terminal(words, tmp_path / "home", width=110, height=300)
    rows = terminal.wait_for("End of the report")
    terminal.close()
    lines = [row.rstrip() for row in rows if "benchwatch:" not in row]

    assert 90 < max(map(len, lines)) <= 110


def test_two_files_and_a_third_are_one_issue(report, made):
    """The narration says which issue each file is of."""
    first = report("1", "--out", str(made.folder / "a.html"), "--out", str(made.folder / "a.csv"))
    third = report("--out", str(made.folder / "a.txt"), "1", "--json")

    assert first.err.count("is 0418 / visit 1 / issue 1") == 2
    assert "is a further file of 0418 / visit 1 / issue 1: nothing has changed since" in third.err
    (values,) = third.lines
    assert values["is_new"] is False
    assert values["files"][0]["file"] == str(made.folder / "a.txt")
    for name in ("a.html", "a.csv", "a.txt"):
        check_issued(made.register, made.journal, made.folder / name)


def test_the_next_issue_says_what_has_changed(report, made):
    """Old and new result, the amendment and its reason; the reason may be typed instead."""
    report("1", "--out", str(made.folder / "one.html"))
    amend_record(made, 12.5e-9, "wrong counter noted")
    second = report("1", "--out", str(made.folder / "two.html"))
    amend_record(made, 12.6e-9, "misread")
    third = report(
        "1", "--out", str(made.folder / "three.html"), "--json", "--reason", "as\n  agreed "
    )

    assert "is 0418 / visit 1 / issue 2" in second.err
    assert "it replaces issue 1 of " in second.err
    assert "wrong counter noted" in second.err
    assert "as found: was (+36.970" in second.err
    (values,) = third.lines
    assert (values["issue"], values["replaces"], values["reason"]) == (3, 2, "as agreed")


def test_a_folder_gets_a_named_file(report, made):
    """Its name says of which unit, visit and issue it is."""
    done = report("1", "--out", str(made.folder), "--json")

    (file,) = done.lines[0]["files"]
    assert Path(file["file"]).parent == made.folder
    assert Path(file["file"]).stem == "0418-visit-1-issue-1"
    assert Path(file["file"]).suffix in {".pdf", ".html"}


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ((), "which visit?"),
        (("99",), "there is no visit 99"),
        (("1", "--reason", "because"), "--reason is for a report that is issued"),
        (("1", "--sign", "key"), "--sign is for a report that is issued"),
        (("1", "--draft"), "without --out it is a draft anyway"),
        (("1", "--out", "x.doc"), "the ending says in which form"),
        (("1", "--lab", "missing.toml"), "missing.toml"),
        (("1", "--out", "/nowhere/at/all/x.html"), "can't be written: No such file"),
        (("1", "--out", "x.html", "--sign", "missing.key"), "missing.key"),
        (("1", "--out", "x.html", "--reason", "x" * 501), "501 characters: 500 at most"),
        (("--init", "12"), "ends in .toml"),
    ],
)
def test_what_cant_be_done_is_a_sentence(report, made, monkeypatch, words, sentence):
    """No traceback, a code that is not 0, and nothing in the register."""
    monkeypatch.chdir(made.folder)

    done = report(*words)

    assert done.code in {2, 5}
    assert sentence in done.err
    assert report_entries(made.register) == []


def test_the_laboratory_file(report, made, run, monkeypatch):
    """``--init`` writes it once where the program reads it, or where it is told to."""
    monkeypatch.chdir(made.folder)
    hint = report("1").err
    first, again = run("report", "--init"), run("report", "--init")
    elsewhere = run("report", "--init", "lab.toml")
    lab = made.folder / "lab.toml"
    lab.write_text(lab.read_text("utf-8").replace("# name =", "name ="), "utf-8")

    assert "benchwatch report --init" in hint
    assert first.code == elsewhere.code == 0
    assert again.code == 2
    assert "stays as it is" in again.err
    assert "benchwatch report --init" not in report("1").err
    assert "Workshop of the gauge station" in report("1", "--lab", "lab.toml").out


def test_a_signed_report(report, made, run, monkeypatch):
    """Signed with keys that were made here; a changed file and another key are found."""
    monkeypatch.setenv(VARIABLE, "")
    monkeypatch.chdir(made.folder)
    made_keys = run("report", "--make-keys", "lab.key")
    run("report", "--make-keys", "other.key")
    signed = report("1", "--out", "a.html", "--sign", "lab.key", "--json")
    sound = report("verify", "a.html", "--public-key", "lab.key.pub")
    wrong_key = report("verify", "a.html", "--public-key", "other.key.pub")
    unsigned = report("1", "--out", "b.html")

    assert made_keys.code == unsigned.code == 0
    assert signed.lines[0]["files"][0]["signature"] == str(made.folder / "a.html.minisig")
    assert sound.code == 0
    assert "0418 / visit 1 / issue 1" in sound.out.splitlines()[-1]
    assert wrong_key.code == 1
    assert report("verify", "b.html", "--public-key", "lab.key.pub").code == 1


@pytest.mark.parametrize("ending", FORMS)
def test_verify_says_sound_and_not(report, made, monkeypatch, ending):
    """By its exit code, in words and as JSON."""
    monkeypatch.chdir(made.folder)
    path = made.folder / f"a{ending}"
    report("1", "--out", path.name)

    sound = report("verify", path.name)
    path.write_bytes(path.read_bytes().replace(b"36.970", b"36.870") + b" ")
    changed = report("verify", path.name)
    (values,) = report("verify", path.name, "--json").lines

    assert (sound.code, changed.code) == (0, 1)
    assert sound.out.splitlines()[0] == f"{path.name}: sound"
    assert changed.out.splitlines()[0] == f"{path.name}: NOT sound"
    assert values["sound"] is False
    assert values["says"] == "0418 / visit 1 / issue 1"


def test_a_simulated_visit_is_found_too(run, tmp_path):
    """``verify`` asks the register of simulated benches as well."""
    made = good_visit(tmp_path / "bench", simulated="station")
    where = ("--journal", str(made.journal))
    out = made.folder / "a.html"

    issued = run("report", "1", "--sim", "--out", str(out), *where)
    verified = run("report", "verify", str(out), *where)

    assert issued.code == verified.code == 0
    assert "SIMULATED" in out.read_text("utf-8")


@pytest.mark.parametrize("code", [0, 3])
def test_open_shows_a_draft(report, made, tmp_path, monkeypatch, code):
    """The system's viewer gets the file; where none is at hand, that is said."""
    opener = tmp_path / "bin" / "xdg-open"
    opener.parent.mkdir()
    opener.write_text(f'#!/bin/sh\necho "$1" > {tmp_path}/opened\nexit {code}\n')
    opener.chmod(0o755)
    monkeypatch.setenv("PATH", f"{opener.parent}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)

    done = report("1", "--open")

    shown = Path((tmp_path / "opened").read_text().strip())
    assert "DRAFT" in shown.read_text("utf-8")
    assert ("no program is at hand" in done.err) == bool(code)
    assert report_entries(made.register) == []


def test_help_shows_both_ways(run):
    """One page has the options of the command and names its part."""
    done = run("report", "--help")

    assert "Usage: benchwatch report [OPTIONS] [VISIT]" in done.out
    assert "benchwatch report verify [OPTIONS] FILE" in done.out
    assert "--forecast" in done.out
    assert "Write the report" not in run("report", "verify", "--help").out


def test_options_before_the_part_are_refused(report):
    """They would do nothing."""
    done = report("--draft", "verify", "x.pdf")

    assert done.code == 2
