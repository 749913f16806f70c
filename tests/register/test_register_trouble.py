"""A register that can't be written or read: a sentence each, and the watch goes on.

What waits is written in its order as soon as the cause is gone, or is left in a file of its own.
"""

import contextlib
import os
import sqlite3
import stat
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from journal_kit import check_sound
from load_kit import LONGEST_WAIT_S, wait_until
from pipeline_kit import StillClock
from register_kit import (
    BENCH,
    TurnClock,
    begun_visit,
    check_by_hand,
    made_register,
    record,
    rows_of,
    texts_of,
)

from benchwatch.errors import RegisterError
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_merge import merge_register
from benchwatch.register.register_reader import read_register
from benchwatch.register.register_schema import APPLICATION_ID
from benchwatch.register.register_writer import RegisterWriter
from benchwatch.register.visit_writer import RunOfVisit, VisitWriter

RUN = RunOfVisit(run=7, journal="journal.db", counter="main", resource=BENCH)


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the path of a register; data folders and the like are the test's own."""
    for name in ("XDG_DATA_HOME", "XDG_STATE_HOME", "HOME", "TMPDIR"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    (tmp_path / "home").mkdir()
    return tmp_path / "register.db"


def attempts(path: Path) -> Iterator[str]:
    """Yield what reading, adding and a watch say about the file."""
    with pytest.raises(RegisterError) as caught:
        RegisterFile(path).add([Draft(kind="note", document={})])
    yield str(caught.value)
    writer = RegisterWriter(RegisterFile(path), TurnClock())
    writer.add(lambda: [Draft(kind="note", document={"text": "waits"})], lambda _: None)
    yield str(writer.trouble)
    with pytest.raises(RegisterError) as caught, read_register(path) as reader:
        list(reader.entries())
    yield str(caught.value)


# ------------------------------------------------------------- what is no register


def a_folder(path: Path) -> None:
    """Make a folder of that name."""
    path.mkdir()


def a_pipe(path: Path) -> None:
    """Make a named pipe, which a program that opens it would wait at."""
    os.mkfifo(path)


def a_table(path: Path) -> None:
    """Write a table of readings."""
    path.write_text("time_s,frequency_hz\n" * 40)


def one_byte(path: Path) -> None:
    """Write a file that SQLite itself would overwrite."""
    path.write_text("x")


def another_program(path: Path) -> None:
    """Make a database of another program."""
    with contextlib.closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE recipes (name TEXT)")


def a_newer_version(path: Path) -> None:
    """Make a register of a version that this one does not know."""
    with contextlib.closing(sqlite3.connect(path)) as other:
        other.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        other.execute("PRAGMA user_version = 99")


def a_link_to_a_folder(path: Path) -> None:
    """Make a symbolic link to a folder."""
    path.symlink_to(path.parent)


def a_link_to_itself(path: Path) -> None:
    """Make a symbolic link that leads nowhere."""
    path.symlink_to(path)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (a_folder, "register.db). Move it elsewhere, or choose another folder"),
        (a_pipe, "register.db). Move it elsewhere, or choose another folder"),
        (a_table, "is damaged, or is no register ("),
        (one_byte, "is damaged, or is no register"),
        (another_program, "is a database of another program, and no register"),
        (a_newer_version, "was written by a newer Benchwatch (schema 99; this one knows"),
        (a_link_to_a_folder, "is damaged, or is no register"),
        (a_link_to_itself, "can't be opened"),
    ],
)
def test_what_is_no_register_is_a_sentence_and_stays_as_it_is(path, make, words):
    """Reading, adding and a watch name the file; not a byte of it changes."""
    make(path)
    before = path.lstat().st_mode, path.read_bytes() if stat.S_ISREG(path.lstat().st_mode) else b""
    said = list(attempts(path))

    assert all(words in sentence and str(path) in sentence for sentence in said), said
    assert all(sentence.endswith(".") and "the journal" not in sentence for sentence in said), said
    after = path.lstat().st_mode, path.read_bytes() if stat.S_ISREG(path.lstat().st_mode) else b""
    assert after == before


def test_a_second_name_of_the_file_is_refused_for_writing(path):
    """Two names of one file have two logs (https://www.sqlite.org/howtocorrupt.html, 2.5)."""
    register = made_register(path)
    os.link(path, path.with_name("other.db"))
    with pytest.raises(RegisterError, match=r"has a second name .*Remove the other name"):
        register.add([Draft(kind="note", document={})])
    with read_register(path) as reader:
        assert len(reader.visit_names()) == 6


def test_a_symbolic_link_is_followed_and_stays_one(path, tmp_path):
    """The file may lie elsewhere; it is made there if the link is to nothing yet."""
    elsewhere = tmp_path / "elsewhere.db"
    path.symlink_to(elsewhere)
    made_register(path)

    assert path.is_symlink()
    check_by_hand(elsewhere)


def test_an_empty_file_becomes_a_register(path):
    """A file of no bytes is read as an empty register, and written."""
    path.write_bytes(b"")
    with read_register(path) as reader:
        assert reader.visit_names() == []
    made_register(path)

    check_by_hand(path)


# ------------------------------------------------------------- waiting, and going on


def block(path: Path) -> None:
    """Put a folder in the place of the register."""
    path.mkdir()


def test_what_waits_is_written_in_its_order_when_the_cause_is_gone(path):
    """The visit has no number until then; it goes on as if nothing had been."""
    block(path)
    clock = TurnClock()
    writer = RegisterWriter(RegisterFile(path), clock)
    visit = begun_visit(writer)
    before = visit.now.number, visit.now.trouble, writer.waiting
    path.rmdir()
    clock.turn()
    assert wait_until(lambda: writer.trouble is None)
    visit.write_note("third")
    visit.close()

    check_by_hand(path)
    assert before == (None, writer.notices[0].removesuffix(
        " Entries wait in memory; the watch goes on."), 4)  # fmt: skip
    assert visit.now.number == 1
    assert writer.notices[1:] == ["the register is written again."]
    assert [row["kind"] for row in rows_of(path)] == [
        "chain", "visit", "run", "note", "record", "note", "note", "closed",
    ]  # fmt: skip
    assert len({row["visit"] for row in rows_of(path)[1:]}) == 1
    assert texts_of(path) == ["first", "second", "third"]
    assert writer.close() == ""


def test_an_entry_that_can_never_be_written_keeps_back_no_other(path):
    """A number that JSON does not have: a sentence, and those after it are written."""
    writer = RegisterWriter(RegisterFile(path), TurnClock())
    for value in (float("nan"), 1.0):
        draft = Draft(kind="condition", document={"text": "room", "value": value})
        writer.add(lambda draft=draft: [draft], lambda _: None)

    assert (writer.trouble, writer.waiting) == (None, 0)
    assert [row["kind"] for row in rows_of(path)] == ["chain", "condition"]
    (notice,) = writer.notices
    assert notice.startswith("an entry could not be written to the register: Out of range float")


class SlowRegister(RegisterFile):
    """A register whose disk answers when the test says so, after a first failure at once."""

    attempts = 0

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.entered, self.answers = threading.Event(), threading.Event()

    def add(self, *arguments, **named):
        """Fail, then wait for the test, then add."""
        self.attempts += 1
        if self.attempts == 1:
            raise RegisterError("the disk is slow.")
        self.entered.set()
        assert self.answers.wait(LONGEST_WAIT_S)
        return super().add(*arguments, **named)


def test_what_is_added_during_a_slow_attempt_waits_for_nothing_and_is_not_forgotten(path):
    """The thread that reads the counter goes on; the entry is written in its turn."""
    clock, register = TurnClock(), SlowRegister(path)
    writer = RegisterWriter(register, clock)
    notes = [Draft(kind="note", document={"text": text}) for text in ("first", "second")]
    writer.add(lambda: notes[:1], lambda _: None)
    clock.turn()
    assert register.entered.wait(LONGEST_WAIT_S)
    writer.add(lambda: notes[1:], lambda _: None)
    waiting = writer.waiting
    register.answers.set()
    clock.turn()
    assert wait_until(lambda: not writer.waiting)

    assert waiting == 2
    assert wait_until(lambda: writer.trouble is None)
    assert texts_of(path) == ["first", "second"]


# ------------------------------------------------------------- left over


def test_what_still_waits_at_the_end_is_in_a_file_that_the_sentence_names(path):
    """It is taken over later: the visit keeps its name, and a visit of before goes on in it."""
    register = RegisterFile(path)
    first = begun_visit(RegisterWriter(register, TurnClock()))
    kept = path.rename(path.with_name("kept.db"))
    block(path)
    writer = RegisterWriter(register, TurnClock())
    with read_register(kept) as reader:
        goes_on = VisitWriter(writer, visit=reader.typed_visit("1"), clock=StillClock())
    goes_on.attach(RUN)
    goes_on.write_record(record("as left", 0.12e-9), automatic=False)
    opened = begun_visit(writer)
    said = writer.close()
    (left,) = path.parent.glob("register-left-20310504T*.db")
    check_by_hand(left)
    check_sound(left)
    path.rmdir()
    kept.rename(path)
    merged = merge_register(register, left)
    again = merge_register(register, left)
    with read_register(path) as reader:
        visits = [reader.visit(name) for name in reader.visit_names()]
        own = reader.own_chain

    assert "7 of the entries of this watch are in" in said
    assert f"benchwatch visits merge {left} takes them over." in said
    assert (merged.entries, merged.there, merged.visits) == (1 + 7, 0, 1)
    assert (again.entries, again.there, again.visits) == (0, 1 + 7, 0)
    check_by_hand(path)
    before, new = visits
    assert before is not None
    assert before.as_left is not None
    assert before.as_found is not None
    assert (before.number, before.chain) == (first.now.number, own)
    assert new is not None
    assert (new.number, new.unit) == (opened.now.number, "0417")
    assert new.chain != own
    assert RegisterFile(path).add([Draft(kind="visit", document={})])[-1].visit == f"{own}/2"


def test_without_room_anywhere_the_sentence_says_what_is_lost(path, monkeypatch):
    """No folder takes a file: the number is said, and no half file stays."""
    block(path)
    writer = RegisterWriter(RegisterFile(path), TurnClock())
    begun_visit(writer)
    monkeypatch.setattr("benchwatch.register.left_over.folders_to_try", lambda _: [path / "none"])
    said = writer.close()

    assert said.endswith(
        "Entries of this watch are neither in it nor anywhere else, as there was no room: 4. The "
        "journal has its records and notes."
    )
    assert [one.name for one in path.parent.rglob("*.db")] == ["register.db"]
