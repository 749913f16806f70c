"""A register on a full disk, beyond a limit of the system, read-only, or moved away.

The programs that meet it are processes of their own; the result is read by plain SQLite.
"""

import re
import sys
import tempfile
from pathlib import Path

import pytest
from disk_kit import NOBODY, tiny_disk
from journal_kit import check_sound
from load_kit import wait_until
from program_kit import start_python
from register_kit import TurnClock, begun_visit, check_by_hand, made_register, rows_of, texts_of

from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_writer import RegisterWriter


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return the path of a register."""
    return tmp_path / "register.db"


FILLING = """
import sys
from pathlib import Path
from benchwatch.errors import RegisterError
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
register = RegisterFile(Path(sys.argv[1]))
added = 0
try:
    for number in range(2000):
        register.add([Draft(kind="note", document={"text": f"{number:06d}" + "x" * 200})])
        added += 1
except RegisterError as error:
    print(added, error)
"""
"""Adds entries until the disk is full."""


def test_a_full_disk_is_a_sentence_and_what_was_added_is_there(path, tmp_path):
    """A watch waits, and is written when room is made; nothing is lost, and all is sound."""
    with tiny_disk(tmp_path / "disk", "400k") as disk:
        full = disk / "register.db"
        room = disk / "room"
        room.write_bytes(bytes(100_000))
        output, errors = start_python(FILLING, str(full)).communicate()
        added, _, said = output.partition(" ")
        clock = TurnClock()
        writer = RegisterWriter(RegisterFile(full), clock)
        visit = begun_visit(writer)
        waiting = writer.waiting
        room.unlink()
        clock.turn()
        assert wait_until(lambda: writer.trouble is None)
        rows = rows_of(full)
        check_by_hand(full)
        check_sound(full)

    assert errors == ""
    assert "the register can't grow: the disk is full" in said
    assert waiting > 0
    assert [row["document"][9:15] for row in rows[1 : 1 + int(added)]] == [
        f"{number:06d}" for number in range(int(added))
    ]
    assert visit.now.number == 1
    assert [row["kind"] for row in rows[1 + int(added) :]] == ["visit", "run", "note", "record",
                                                              "note"]  # fmt: skip


LIMITED = (
    """
import resource
resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, resource.RLIM_INFINITY))
"""
    + FILLING
    + """
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
register.add([Draft(kind="note", document={"text": "after"})])
"""
)


def test_a_file_size_limit_of_the_system_is_a_sentence(path):
    """After a write that the kernel refuses, nothing is half, and the register goes on."""
    output, errors = start_python(LIMITED, str(path)).communicate()
    added, _, said = output.partition(" ")

    assert errors == ""
    assert re.search("the disk reports an error, or a size limit is reached|disk is full", said)
    check_by_hand(path)
    check_sound(path)
    assert len(texts_of(path)) == int(added) + 1
    assert texts_of(path)[-1] == "after"


READ_ONLY = f"""
import getpass, os, sys
import urllib.parse  # for Path.as_uri, as that account may not be able to import anything
from pathlib import Path
import platformdirs, platformdirs.unix
from benchwatch.errors import RegisterError
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_reader import read_register
if os.geteuid() == 0:
    os.setgid({NOBODY})
    os.setuid({NOBODY})
path = Path(sys.argv[1])
try:
    with read_register(path) as reader:
        print(len(list(reader.entries())), "read")
except RegisterError as error:
    print(error)
try:
    RegisterFile(path).add([Draft(kind="note", document={{}})])
except RegisterError as error:
    print(error)
else:
    print("added")
"""
"""Reads the register and adds to it, as an account that owns nothing."""


@pytest.mark.parametrize(
    ("file_mode", "folder_mode", "reads", "adds"),
    [
        (0o444, 0o777, "19 read", "can't be written: it, its folder or its disk is read-only"),
        (0o666, 0o555, "19 read", "can't be opened|can't be written"),
        (0o444, 0o555, "19 read", "can't be opened|can't be written"),
        (0o000, 0o777, "can't be opened: Permission denied", "can't be opened: Permission denied"),
        (0o666, 0o000, "can't be opened: Permission denied", "can't be opened: Permission denied"),
        (0o666, 0o777, "19 read", "added"),
    ],
)
def test_a_read_only_file_or_folder_is_read_where_it_can_be(file_mode, folder_mode, reads, adds):
    """Adding is a sentence; reading works wherever the bytes may be read."""
    with tempfile.TemporaryDirectory(dir="/tmp") as name:  # the test's own folder is root's alone
        folder = Path(name) / "folder"
        folder.mkdir()
        Path(name).chmod(0o755)
        made_register(folder / "register.db", units=1, visits=3)
        (folder / "register.db").chmod(file_mode)
        folder.chmod(folder_mode)
        output, errors = start_python(READ_ONLY, str(folder / "register.db")).communicate()
        folder.chmod(0o755)
    read, added = output.splitlines()

    assert errors == ""
    assert re.search(reads, read)
    assert re.search(adds, added)


@pytest.mark.skipif(sys.platform == "win32", reason="the folder is locked by the open file")
def test_a_register_that_is_moved_away_is_begun_anew(path):
    """No handle outlives an entry: the next one goes to a new file, and the old one is whole."""
    register = made_register(path, units=1, visits=1)
    moved = path.rename(path.with_name("moved.db"))
    register.add([Draft(kind="note", document={"text": "new"})])

    check_by_hand(moved)
    check_by_hand(path)
    assert len(rows_of(moved)) == 7
    assert texts_of(path) == ["new"]
