"""A damaged register: a sentence each, and a repair that carries over what can be read of it.

The tests damage the bytes of closed files; the result is checked by plain SQLite and SHA-256.
"""

import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from journal_kit import PAGE, check_sound, copy, noise
from pipeline_kit import START_UTC_S
from program_kit import start_python
from register_kit import behind_the_triggers, check_by_hand, made_register, rows_of, visit_drafts

from benchwatch.errors import RegisterError
from benchwatch.journal.damaged_file import set_aside
from benchwatch.register.chain_check import check_chains
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_merge import merge_register
from benchwatch.register.register_reader import read_register
from benchwatch.register.register_repair import repair_register

NOTE = Draft(kind="note", document={"text": "the lid was loose"})
LONG = "tide gauge " * 900
"""A note longer than one page."""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Return the bytes of a register of 40 visits with a long note in its middle."""
    path = tmp_path_factory.mktemp("whole") / "register.db"
    register = made_register(path, units=5, visits=4)
    register.add([Draft(kind="note", document={"text": LONG})])
    made_register(path, units=5, visits=4)
    return path.read_bytes()


DAMAGES: dict[str, tuple[Callable[[bytes], bytes], float]] = {
    "cut to its half": (lambda content: content[: len(content) // 2], 0.3),
    "first page gone": (noise(0, 1), 1.0),
    "tables unreadable": (lambda content: content[:100] + b"\xa5" * 3996 + content[PAGE:], 1.0),
    "root of the entries gone": (noise(1, 2), 1.0),
    "two pages in the middle gone": (noise(20, 22), 0.9),
    "last pages gone": (noise(-4, 0), 0.85),
}
"""The damage of the file, and the least part of its entries that must be carried over."""


def files_in(folder: Path) -> list[Path]:
    """Return the databases in a folder, without the logs that readers leave behind."""
    return sorted(path for path in folder.iterdir() if not path.name.endswith(("-wal", "-shm")))


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_repair_carries_over_entries_as_they_were_and_names_the_missing(tmp_path, whole, damage):
    """The damaged file is kept under a dated name; every entry carried over is as it was."""
    spoil, least = DAMAGES[damage]
    sound, path = tmp_path / "sound.db", tmp_path / "register.db"
    sound.write_bytes(whole)
    path.write_bytes(spoil(whole))
    repaired = repair_register(path, START_UTC_S)
    before, after = rows_of(sound), rows_of(path)

    assert repaired is not None
    (aside,) = tmp_path.glob("register-damaged-20310504T102020Z.db")
    assert (repaired.aside, aside.read_bytes()) == (aside, spoil(whole))
    check_sound(path)
    assert all(row in before for row in after)
    assert least * len(before) <= len(after) == repaired.entries
    missing = {row["number"] for row in before} - {row["number"] for row in after}
    missing = {number for number in missing if number < after[-1]["number"]}  # the end is not seen
    named = set()
    said = "\n".join(repaired.faults)
    for first, last in re.findall(r"entr(?:y|ies) (\d+)(?: to (\d+))?", said):
        named |= set(range(int(first), int(last or first) + 1))
    assert named == missing
    opened = {row["visit"] for row in after if row["kind"] == "visit"}
    rest = {row["visit"] for row in after if row["visit"]} - opened
    assert set(re.findall(r"visit (\S+) has lost the entry that opened it", said)) == rest
    assert files_in(tmp_path) == sorted([aside, path, sound])


def test_a_repaired_register_goes_on_in_its_chain_and_takes_the_rest_from_a_copy(tmp_path, whole):
    """An older copy fills the hole; then all is sound, and new visits go on in the numbers."""
    copied, path = tmp_path / "copied.db", tmp_path / "register.db"
    copied.write_bytes(whole)
    path.write_bytes(noise(20, 22)(whole))
    repair_register(path, START_UTC_S)
    (opened, *_) = RegisterFile(path).add(visit_drafts("0417", 2e9))
    merged = merge_register(RegisterFile(path), copied)

    check_by_hand(path)
    assert opened.visit == f"{opened.chain}/41"
    assert merged.entries > 0
    assert len(rows_of(path)) == len(rows_of(copied)) + 6


def test_a_sound_register_is_left_alone(tmp_path, whole):
    """No byte is changed, and nothing is set aside."""
    path = tmp_path / "register.db"
    path.write_bytes(whole)

    assert repair_register(path, START_UTC_S) is None
    assert path.read_bytes() == whole
    assert files_in(tmp_path) == [path]


def test_a_register_begun_by_a_watch_while_it_is_repaired_keeps_its_entries(
    tmp_path, whole, monkeypatch
):
    """The watch finds no file for a moment and begins one; both are in the one register."""
    path = tmp_path / "register.db"
    path.write_bytes(noise(20, 22)(whole))

    def aside_and_begun(path: Path, utc_s: float) -> Path:
        moved = set_aside(path, utc_s)
        RegisterFile(path).add([NOTE])
        return moved

    monkeypatch.setattr("benchwatch.register.register_repair.set_aside", aside_and_begun)
    repaired = repair_register(path, START_UTC_S)

    assert repaired is not None
    kinds = {row["chain"]: row["kind"] for row in rows_of(path)}
    assert len(kinds) == 2
    assert len(rows_of(path)) == repaired.entries > 200
    check_sound(path)
    assert len(files_in(tmp_path)) == 2


def test_a_visit_whose_opening_is_lost_is_dated_by_its_first_entry(tmp_path):
    """It is no visit of 1970, which would spoil the history of the unit."""
    path = tmp_path / "register.db"
    made_register(path, units=1, visits=2)
    with behind_the_triggers(path) as tool:
        tool.execute("DELETE FROM entries WHERE number = 2")
    with read_register(path) as reader:
        visits = reader.visits_of("0417")

    assert [visit.opened_utc_s for visit in visits] == [1.9e9, 1.9e9 + 3600.0]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"time_s,frequency_hz\n" * 400, "is no register, or nothing of one is left in it"),
        (b"SQLite format 3\0" + b"\xff" * 9000, "is no register, or nothing of one is left in it"),
        (None, "there is no register at"),
    ],
)
def test_what_is_no_register_is_not_repaired(tmp_path, content, words):
    """A file of another kind stays as it is."""
    path = tmp_path / "register.db"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(RegisterError, match=words):
        repair_register(path, START_UTC_S)

    assert content is None or path.read_bytes() == content
    assert len(list(tmp_path.iterdir())) == (content is not None)


def test_a_damaged_database_of_another_program_is_not_repaired(tmp_path):
    """Its tables have other columns."""
    path = tmp_path / "register.db"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE recipes (name TEXT, tide TEXT)")
        other.executemany("INSERT INTO recipes VALUES (?, ?)", [("a" * 90, "b" * 90)] * 500)
        other.commit()
    path.write_bytes(noise(3, 5)(path.read_bytes()))
    before = path.read_bytes()
    with pytest.raises(RegisterError, match="is no register"):
        repair_register(path, START_UTC_S)

    assert path.read_bytes() == before


KILLED = """
import os, sqlite3, sys
from pathlib import Path
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
path = Path(sys.argv[1])
register = RegisterFile(path)
for number in range(10):
    register.add([Draft(kind="note", document={"text": str(number)})])
reader = sqlite3.connect(path)
reader.execute("BEGIN"); reader.execute("SELECT count(*) FROM entries").fetchone()
for number in range(10, 20):
    register.add([Draft(kind="note", document={"text": str(number)})])
os._exit(9)
"""
"""Leaves entries in the log beside the register, as a power cut might."""


def test_an_emptied_register_with_a_log_is_not_begun_anew(tmp_path):
    """SQLite would discard the log of an empty file; it is refused, and repaired from the log."""
    path = tmp_path / "register.db"
    child = start_python(KILLED, str(path))
    child.communicate()
    log = path.with_name("register.db-wal")
    assert log.stat().st_size > 0
    path.write_bytes(b"")
    for attempt in (lambda: RegisterFile(path).add([NOTE]), lambda: list_entries(path)):
        with pytest.raises(
            RegisterError, match=r"it is empty, but the log beside it is not .*repair"
        ):
            attempt()
    repaired = repair_register(path, START_UTC_S)

    assert repaired is not None
    assert '{"text":"19"}' in [row["document"] for row in rows_of(path)]


def test_a_killed_program_leaves_its_entries_in_the_log_and_they_count(tmp_path):
    """The next program reads them all, and adds after them."""
    path = tmp_path / "register.db"
    start_python(KILLED, str(path)).communicate()
    RegisterFile(path).add([NOTE])

    check_by_hand(path)
    assert len(rows_of(path)) == 1 + 20 + 1


def list_entries(path: Path) -> int:
    """Count the entries that the product reads."""
    with read_register(path) as reader:
        return len(list(reader.entries()))


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_register_is_a_sentence(tmp_path, whole, damage):
    """Reading all and adding many entries name the file, and what to do; nothing is a traceback."""
    path = tmp_path / "register.db"
    path.write_bytes(DAMAGES[damage][0](whole))
    said = []
    for attempt in (list_entries, lambda path: [RegisterFile(path).add([NOTE]) for _ in range(40)]):
        try:
            attempt(path)
        except RegisterError as error:
            said.append(str(error))

    assert said
    for sentence in said:
        assert "the register is damaged" in sentence
        assert str(path) in sentence
        assert "benchwatch visits repair sets it aside" in sentence


def test_text_that_is_no_text_is_a_sentence(tmp_path):
    """Bytes that are not UTF-8, written by hand: reading names the damage."""
    path = tmp_path / "register.db"
    made_register(path)
    with behind_the_triggers(path) as tool:
        tool.execute("UPDATE entries SET document = CAST(x'ff41' AS TEXT) WHERE number = 5")
    with pytest.raises(RegisterError, match=r"the register is damaged .*visits repair"):
        list_entries(path)
    with closing(sqlite3.connect(path)) as connection, pytest.raises(sqlite3.OperationalError):
        check_chains(connection)


def test_a_copy_made_while_a_program_writes_is_whole(tmp_path):
    """Between two entries no log is left, so that copying the one file is enough."""
    path = tmp_path / "register.db"
    register = made_register(path)
    for number in range(5):
        register.add([NOTE])
        copy(path, tmp_path / f"copy{number}.db")
        assert len(rows_of(tmp_path / f"copy{number}.db")) == len(rows_of(path))
