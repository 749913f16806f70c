"""The report of a visit, from the bench to the hand-over, by processes that are also killed."""

import json
import os
import re
import shutil
import signal
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from disk_kit import NOBODY, tiny_disk
from issue_kit import check_issued, report_entries
from load_kit import LONGEST_WAIT_S
from oven_kit import oven_bench, served
from program_kit import COMMAND, PROGRAM, run_program, start_program, start_python
from register_kit import behind_the_triggers, check_by_hand, rows_of
from report_kit import MadeVisit, good_visit
from terminal_kit import Terminal

from benchwatch.report.forms.form_list import FORMS

if TYPE_CHECKING:
    import subprocess

pytestmark = pytest.mark.long

BENCH = oven_bench("an oven that has been on for a day", gate="0.1 s", white_fm=2e-12)
LEFT_BEHIND = ".benchwatch-*"
MOMENTS = {
    "before its file is written": ("report.issue.issuing", "written_beside", "before"),
    "before its entry": ("register.register_file.RegisterFile", "add", "before"),
    "within the transaction": ("register.register_file.RegisterFile", "put", "after"),
    "after its entry": ("register.register_file.RegisterFile", "add", "after"),
    "after its name": ("report.issue.issuing", "give_name", "after"),
}
"""When the program is killed: where the function is, its name, and before it or after it."""
KILLED = """
import importlib, os, pkgutil, signal, sys
place, name, when = sys.argv[1:4]
holder = pkgutil.resolve_name("benchwatch." + place)
called = getattr(holder, name)

def kill():
    os.kill(os.getpid(), signal.SIGKILL)

def killed(*arguments, **options):
    if when == "before":
        kill()
    called(*arguments, **options)
    kill()

setattr(holder, name, killed)
sys.argv[1:] = sys.argv[4:]
"""
AS_NOBODY = f"""
import os, sys
from benchwatch.cli import run
folder, private = sys.argv[1:]
words = ["report", "1", "--journal", folder + "/journal.db"]
run([*words, "--draft", "--out", private + "/draft.html"])  # imports all, while that can be read
os.environ["XDG_CONFIG_HOME"] = "/nowhere"
if os.geteuid() == 0:
    os.setgid({NOBODY})
    os.setuid({NOBODY})
assert run([*words, "--json"]) == 0
sys.exit(run([*words, "--out", folder + "/report.html"]))
"""


@pytest.fixture(autouse=True)
def configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Set a configuration folder of the test's own, without a laboratory file."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


@pytest.fixture
def made(tmp_path: Path) -> MadeVisit:
    """Return a good visit that is closed."""
    return good_visit(tmp_path / "bench")


def report(made_in: Path, *words: str) -> "subprocess.CompletedProcess[str]":
    """Run ``report`` beside the journal in a folder."""
    return run_program("report", *words, "--journal", str(made_in / "journal.db"))


def verified(folder: Path, file: Path) -> dict[str, Any]:
    """Return what ``report verify`` says of a file, and check its exit code."""
    done = report(folder, "verify", str(file), "--json")
    values: dict[str, Any] = json.loads(done.stdout)

    assert done.returncode == (0 if values["sound"] else 1)
    return values


def issues_of(register: Path) -> dict[int, str]:
    """Return the content of each issue; one number with two contents fails."""
    found: dict[int, str] = {}
    for one in report_entries(register):
        assert found.setdefault(one["issue"], one["content"]) == one["content"]
    return found


def left_behind(folder: Path) -> list[Path]:
    """Return the files that never got their name."""
    return list(folder.glob(LEFT_BEHIND))


def fill(ballast: Path) -> None:
    """Write a file until its disk is full."""
    with ballast.open("wb", buffering=0) as file, suppress(OSError):
        while file.write(b"x" * 4096):
            pass


def on_the_bench(folder: Path) -> Path:
    """Measure, turn and measure again on a screen, report from it; return the report's file."""
    words = ["--unit", "0417", "--new", "--nominal", "10MHz", "--tolerance", "5ppb"]
    with served([*COMMAND], BENCH, folder, seed=3) as bench:
        command = [*COMMAND, "watch", bench.resource, *words, "--view", "trim"]
        command += ["--journal", str(folder / "journal.db")]
        with closing(Terminal(command, folder, width=160, height=40)) as screen:
            screen.wait_until(lambda rows: re.search(r"from \d\d+ readings", str(rows)))
            screen.type(b":note lid on\r")
            screen.wait_for("noted: lid on")
            screen.type(b"a")
            screen.wait_for("as found: +12.4")
            assert bench.ask("turn -0.248 main") == "ok"
            screen.wait_until(lambda rows: re.search("last nudge down", str(rows)))
            screen.wait_until(lambda rows: re.search(r"from \d\d+ readings", str(rows)))
            screen.type(b"l")
            screen.wait_for("as left: ")
            screen.type(b":report\r")
            rows = screen.wait_until(lambda rows: re.search(r"0417 / visit 1 / issue 1", str(rows)))
            screen.type(b":close visit\r")
            screen.wait_for("Close the visit?")
            screen.type(b"y\r")
            screen.wait_for("the visit is closed")
            screen.type(b"q")
            assert screen.end() == 0
            said = screen.seen.rpartition(b"\x1b[?1049l")[2].decode()
    shown = re.search(r"report: (\S+), 0417 / visit 1 / issue 1", "\n".join(rows))
    assert shown is not None, rows
    assert f"{Path(shown[1]).name}, 0417 / visit 1 / issue 1." in said
    return Path(shown[1])


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
def test_from_the_bench_to_the_hand_over(tmp_path):
    """As found, a turn, as left; the report in all forms; an amendment, and the next issue.

    SHA-256, fingerprint and head are checked by sqlite3 and hashlib alone.
    """
    from_screen = on_the_bench(tmp_path)
    outs = [tmp_path / f"0417{ending}" for ending in FORMS]
    words = [word for out in outs for word in ("--out", str(out))]
    issued = report(tmp_path, "1", *words, "--json")
    journal, register = tmp_path / "journal.db", tmp_path / "register.db"

    values = json.loads(issued.stdout)
    assert (values["issue"], values["replaces"]) == (2, 1)  # closed, and read on for a while
    assert check_issued(register, journal, from_screen)["issue"] == 1
    for out in outs:
        assert check_issued(register, journal, out)["issue"] == 2
        assert verified(tmp_path, out)["sound"]
    document = json.loads((tmp_path / "0417.json").read_text("utf-8"))
    assert [one["name"] for one in document["results"]] == ["as found", "as left"]
    assert document["results"][0]["verdict"] == "outside"
    assert verified(tmp_path, from_screen)["newest_issue"] == 2

    record = next(row for row in rows_of(register) if row["kind"] == "record")
    amended = run_program(
        "visits", "amend", "1", str(record["number"]), "--withdraw", "--reason",
        "measured on the wrong channel", "--journal", str(journal),
    )  # fmt: skip
    third = report(tmp_path, "1", "--out", str(tmp_path / "third.html"), "--json")

    assert amended.returncode == 0, amended.stderr
    stated = json.loads(third.stdout)
    assert (stated["issue"], stated["replaces"]) == (3, 2)
    assert stated["reason"] == "measured on the wrong channel"
    assert stated["changes"][0].startswith("as found: was (+12.4")
    assert "measured on the wrong channel" in (tmp_path / "third.html").read_text("utf-8")
    old = verified(tmp_path, outs[0])
    assert old["sound"]
    assert "SUPERSEDED by issue 3" in str(old["findings"])
    check_by_hand(register)
    shown = run_program("visits", "show", "1", "--journal", str(journal)).stdout
    assert [f"issue {number}" in shown for number in (1, 2, 3)] == [True] * 3


def test_a_usual_visit_is_a_pdf_of_two_pages(made):
    """One page for whoever brought the unit, one for the bench (counted by pypdf)."""
    pypdf = pytest.importorskip("pypdf")
    pytest.importorskip("typst")

    done = report(made.folder, "1", "--out", str(made.folder / "report.pdf"))

    assert done.returncode == 0, done.stderr
    pages = pypdf.PdfReader(made.folder / "report.pdf").pages
    assert len(pages) == 2
    assert "0418 / visit 1 / issue 1" in pages[0].extract_text()


@pytest.mark.parametrize("what", ["reading", "entry", "file"])
def test_what_was_changed_is_found(made, what):
    """One digit of a reading, one entry of the register, one letter of the file."""
    out = made.folder / "report.txt"
    report(made.folder, "1", "--out", str(out))
    before = verified(made.folder, out)
    if what == "reading":
        with closing(sqlite3.connect(made.journal)) as journal, journal:
            journal.execute("UPDATE readings SET text = '10000000.0001' WHERE number = 50")
    elif what == "entry":
        with behind_the_triggers(made.register) as register:
            register.execute("UPDATE entries SET who = 'somebody' WHERE kind = 'note'")
            register.execute("UPDATE entries SET who = 'somebody' WHERE kind = 'record'")
    else:
        out.write_bytes(out.read_bytes().replace(b"36.970", b"36.070"))

    assert before["sound"]
    assert not verified(made.folder, out)["sound"]


@pytest.mark.parametrize("moment", MOMENTS)
def test_a_program_that_is_killed(made, moment):
    """At each moment: what has its name is in the register, and the same command mends the rest."""
    out = made.folder / "report.html"
    words = ("report", "1", "--out", str(out), "--journal", str(made.journal))
    killed = start_python(f"{KILLED}\n{PROGRAM}", *MOMENTS[moment], *words)
    killed.communicate(timeout=LONGEST_WAIT_S)
    half_way = len(report_entries(made.register))
    if out.exists():
        check_issued(made.register, made.journal, out)

    again = report(made.folder, "1", "--out", str(out))

    assert killed.returncode == -signal.SIGKILL
    assert half_way == (1 if moment in {"after its entry", "after its name"} else 0)
    assert again.returncode == 0, again.stderr
    assert len(report_entries(made.register)) == 1
    check_issued(made.register, made.journal, out)
    check_by_hand(made.register)
    assert verified(made.folder, out)["sound"]
    report(made.folder, "1", "--out", str(made.folder / "other.html"))
    assert left_behind(made.folder) == []


def test_two_programs_at_the_same_time(made, tmp_path):
    """With different laboratories they are issue 1 and issue 2, with the same one they are one."""
    programs = []
    for number, laboratory in enumerate(["one", "two", "one", "two"]):
        lab = tmp_path / f"{laboratory}.toml"
        lab.write_text(f'name = "Workshop {laboratory}"\n', encoding="utf-8")
        out = made.folder / f"report{number}.html"
        words = ("--out", str(out), "--lab", str(lab), "--journal", str(made.journal))
        programs.append(start_program("report", "1", *words))

    ended = [program.communicate(timeout=LONGEST_WAIT_S)[1] for program in programs]

    assert [program.returncode for program in programs] == [0] * 4, ended
    found = issues_of(made.register)
    assert sorted(found) == list(range(1, len(found) + 1))
    check_by_hand(made.register)
    for number in range(4):
        check_issued(made.register, made.journal, made.folder / f"report{number}.html")
    assert left_behind(made.folder) == []


def test_another_program_reads_meanwhile(made):
    """One that keeps a state of the register open sees that state, and hinders nothing."""
    there = f"{made.register.as_uri()}?mode=ro"
    with closing(sqlite3.connect(there, uri=True, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        count = "SELECT count(*) FROM entries WHERE kind = 'report'"
        before = reader.execute(count).fetchone()[0]
        done = report(made.folder, "1", "--out", str(made.folder / "report.html"))
        meanwhile = reader.execute(count).fetchone()[0]
        reader.execute("COMMIT")
        after = reader.execute(count).fetchone()[0]

    assert done.returncode == 0, done.stderr
    assert (before, meanwhile, after) == (0, 0, 1)


def test_a_full_disk_under_the_file(made, tmp_path):
    """Nothing is issued, a sentence says so, and the disk holds what it held before."""
    with tiny_disk(tmp_path / "disk", "16k") as disk:
        done = report(made.folder, "1", "--out", str(disk / "report.html"))

        assert done.returncode == 5
        assert "No space left on device" in done.stderr
        assert "Traceback" not in done.stderr
        assert list(disk.iterdir()) == []
    assert report_entries(made.register) == []


def test_a_full_disk_under_the_register(made, tmp_path):
    """Nothing is issued, and no file is left where there would be room for it."""
    with tiny_disk(tmp_path / "disk", "1m") as disk:
        for name in ("journal.db", "register.db"):
            shutil.copy(made.folder / name, disk / name)
        fill(disk / "ballast")
        out = tmp_path / "report.html"
        done = report(disk, "1", "--out", str(out))
        entries = report_entries(disk / "register.db") if done.returncode == 0 else None

    assert "Traceback" not in done.stderr
    assert (done.returncode, out.exists(), entries) == (5, False, None)
    assert left_behind(tmp_path) == []


@pytest.fixture
def shared(made: MadeVisit) -> Iterator[Path]:
    """Yield a folder with the visit that another account can read and not write."""
    with tempfile.TemporaryDirectory(prefix="benchwatch-test-") as name:
        folder = Path(name)
        for one in (made.journal, made.register):
            shutil.copy(one, folder / one.name)
            (folder / one.name).chmod(0o444)
        folder.chmod(0o555)
        yield folder
        folder.chmod(0o755)


def test_a_folder_that_is_read_only(shared, tmp_path):
    """A draft can be read; to issue says what can't be written, and leaves nothing."""
    program = start_python(AS_NOBODY, str(shared), str(tmp_path))
    document, said = program.communicate(timeout=LONGEST_WAIT_S)

    assert json.loads(document)["issue"]["state"] == "draft", said
    assert program.returncode == 5
    assert "can't be written" in said
    assert "Traceback" not in said
    assert not [*shared.glob("*.html"), *left_behind(shared)]
