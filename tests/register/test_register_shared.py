"""Several programs at one register: nothing lost, nothing doubled, killed or not.

The programs are processes of their own; the result is read by plain SQLite.
"""

import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest
from journal_kit import check_sound
from load_kit import LONGEST_WAIT_S
from register_kit import check_by_hand, made_register, rows_of

from benchwatch.errors import RegisterError, UsageError
from benchwatch.register import register_file
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_reader import read_register
from benchwatch.register.register_schema import check_register
from benchwatch.register.register_writer import RegisterWriter
from benchwatch.register.visit_closing import close_visit
from benchwatch.register.visit_writer import RunOfVisit, VisitWriter

PROGRAMS, ENTRIES = 6, 200

ADDING = """
import sys
import threading
from pathlib import Path
from typing import Any
from benchwatch.errors import RegisterError, UsageError
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
register = RegisterFile(Path(sys.argv[1]), who="anna")
print("ready", flush=True)
sys.stdin.readline()
for number in range(int(sys.argv[3])):
    draft = Draft(kind=sys.argv[4], document={"text": f"{sys.argv[2]}/{number}"})
    while True:
        try:
            entry = register.add([draft])[-1]
        except RegisterError as error:
            assert "is locked by another program" in str(error), error
            continue
        break
    line = f"{entry.values()['text']} {entry.name} {entry.visit}\\n"
    sys.stdout.write(line)  # in one piece, so that a kill leaves no half of it
    sys.stdout.flush()
"""
"""Adds entries one by one once a line comes, and prints each when `add` has returned."""

CLOSING = """
import sys
import threading
from pathlib import Path
from typing import Any
from benchwatch.errors import UsageError
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.visit_closing import close_visit
print("ready", flush=True)
sys.stdin.readline()
try:
    close_visit(RegisterFile(Path(sys.argv[1]), who=sys.argv[3]), sys.argv[2], "0417")
except UsageError as error:
    print(error)
else:
    print("closed")
"""


class Program:
    """A Python program that waits for a line before it does its work; its lines are short."""

    def __init__(self, code: str, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, *arguments],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip

    def wait_until_ready(self) -> None:
        """Wait until it has imported all it needs."""
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "ready\n"

    def go(self) -> None:
        """Let it begin."""
        assert self.process.stdin is not None
        self.process.stdin.write("go\n")
        self.process.stdin.flush()

    def kill_after(self, lines: int) -> list[str]:
        """Kill it after so many lines; return all lines that it has written."""
        assert self.process.stdout is not None
        first = [self.process.stdout.readline() for _ in range(lines)]
        self.process.send_signal(signal.SIGKILL)
        return [line.strip() for line in (*first, *self.process.stdout)]

    def lines(self) -> list[str]:
        """Wait for its end; return its lines."""
        output, errors = self.process.communicate(timeout=LONGEST_WAIT_S)
        assert errors == ""
        return output.splitlines()


@pytest.fixture
def programs() -> Iterator[list[Program]]:
    """Return a list for programs, which are ended after the test."""
    started: list[Program] = []
    yield started
    for program in started:
        program.process.kill()
        program.process.communicate()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return the path of a new register."""
    return tmp_path / "register.db"


def begin(programs: list[Program]) -> None:
    """Let all programs begin at the same time."""
    for program in programs:
        program.wait_until_ready()
    for program in programs:
        program.go()


def read_until(path: Path, ended: threading.Event) -> list[int]:
    """Read the register again and again; return how many entries were in each whole state."""
    seen = []
    while True:
        last = ended.is_set()
        with read_register(path) as reader:
            numbers = [entry.number for entry in reader.entries()]
        assert numbers == list(range(1, 1 + len(numbers)))
        seen.append(len(numbers))
        if last:
            return seen


def test_six_programs_add_entries_and_two_are_killed(path, programs):
    """Each entry that was returned is there once; none is half; numbers have no gap."""
    programs += [Program(ADDING, str(path), str(n), str(ENTRIES), "note") for n in range(PROGRAMS)]
    ended = threading.Event()
    with ThreadPoolExecutor(1) as pool:
        reading = pool.submit(read_until, path, ended)
        try:
            begin(programs)
            killed = programs[0].kill_after(30) + programs[1].kill_after(60)
            returned = list(killed)
            for program in programs[2:]:
                returned += program.lines()
        finally:
            ended.set()  # whatever failed, so that the reader ends and the failure is seen
        seen = reading.result()

    check_sound(path)
    check_by_hand(path)
    texts = Counter(
        re.findall(r'"text":"([^"]+)"', row["document"])[0] for row in rows_of(path)[1:]
    )
    names = {f"{row['chain']}/{row['number']}" for row in rows_of(path)}
    assert seen == sorted(seen)
    assert seen[-1] > 0
    assert max(texts.values()) == 1
    assert {line.split()[0] for line in returned} <= set(texts)
    assert {line.split()[1] for line in returned} <= names
    assert 0 <= len(texts) - 4 * ENTRIES - len(killed) <= 2  # those that were being added


def test_a_register_that_is_just_being_made_is_not_called_damaged(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program fills the file, and begins its log, while this one looks at both."""
    made = path.with_name("made.db")
    made_register(made, units=1)
    path.touch()

    def looks_when_it_is_made(_asked: Path) -> bool:
        shutil.copyfile(made, path)
        return True

    monkeypatch.setattr(register_file, "has_log", looks_when_it_is_made)

    with read_register(path) as register:
        assert len(register.visit_names()) == 2


def test_visits_opened_at_once_get_numbers_of_their_own(path, programs):
    """Four programs open visits in a register that none has made yet."""
    programs += [Program(ADDING, str(path), str(n), "25", "visit") for n in range(4)]
    begin(programs)
    visits = [line.split()[2] for program in programs for line in program.lines()]

    (chain,) = {row["chain"] for row in rows_of(path)}
    assert sorted(visits) == sorted(f"{chain}/{number}" for number in range(1, 101))
    check_by_hand(path)


def test_two_programs_close_a_visit_and_one_hears_that_it_is_closed(path, programs):
    """It is closed once; the sentence names who did it, and when."""
    register = made_register(path, units=1, visits=1)
    (*_, opened) = register.add([Draft(kind="visit", unit="0417", document={})])
    programs += [Program(CLOSING, str(path), str(opened.visit), who) for who in ("anna", "berta")]
    begin(programs)
    said = [line for program in programs for line in program.lines()]

    (row,) = [row for row in rows_of(path) if row["visit"] == opened.visit][1:]
    assert row["kind"] == "closed"
    assert sorted(said, key=len) == [
        "closed",
        f"visit 2 is closed already, since {row['at']} by {row['who']}.",
    ]


def test_a_watch_hears_that_another_program_closed_its_visit(path):
    """Its own closing is refused in a sentence, and closes nothing twice."""
    writer = RegisterWriter(RegisterFile(path, who="anna"))
    visit = VisitWriter(writer, unit="0417")
    visit.attach(RunOfVisit(run=7, counter="main", resource="x"))
    visit.begin()
    (*_, opened) = rows_of(path)
    close_visit(RegisterFile(path, who="berta"), opened["visit"], "0417")
    with pytest.raises(UsageError, match=r"visit 1 is closed already, since .* by berta"):
        visit.close()

    assert [row["kind"] for row in rows_of(path)] == ["chain", "visit", "run", "closed"]
    assert writer.trouble is None


def test_a_reader_with_an_open_transaction_stops_no_writer(path):
    """The reader goes on with the state that it began with; another one sees the new entries."""
    register = made_register(path, units=1, visits=1)
    with read_register(path) as reader:
        before = list(reader.entries())
        for number in range(20):
            register.add([Draft(kind="note", document={"text": str(number)})])
        still = list(reader.entries())
    with read_register(path) as reader:
        after = list(reader.entries())

    assert still == before
    assert len(after) == len(before) + 20


def test_a_program_that_holds_the_lock_is_a_sentence_and_nothing_is_lost(path):
    """An open transaction of another program: the entry is refused, and accepted afterwards."""
    register = made_register(path, units=1, visits=1)
    before = rows_of(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(RegisterError, match="the register is locked by another program"):
            register.add([Draft(kind="note", document={})])
    register.add([Draft(kind="note", document={})])

    assert rows_of(path)[:-1] == before


class _Interrupted(sqlite3.Connection):
    """A connection beside which another program makes the register between two questions."""

    other: RegisterFile | None = None

    def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
        """Run a statement; before the tables are counted, the other program tries its luck."""
        if sql == "SELECT count(*) FROM sqlite_master" and self.other is not None:
            other, self.other = self.other, None
            with suppress(RegisterError):  # it may have to wait until this one has looked
                other.add([Draft(kind="note", document={"text": "lid off"}, visit="x/1")])
        return super().execute(sql, *values)


def test_a_register_that_is_being_made_is_no_other_programs_file(path: Path):
    """Version, owner and tables are looked at in one state of the file."""
    path.touch()
    with closing(sqlite3.connect(path, factory=_Interrupted, isolation_level=None)) as connection:
        connection.other = RegisterFile(path)
        version = check_register(connection, path)
        in_transaction = connection.in_transaction

    assert version == 0
    assert not in_transaction
