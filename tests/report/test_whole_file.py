"""Files are written whole or not at all, and a program that was killed leaves nothing behind."""

import os
import signal
from pathlib import Path

import pytest
from disk_kit import tiny_disk
from program_kit import start_python

from benchwatch.errors import FileError, UsageError
from benchwatch.report.whole_file import give_name, write_whole, written_beside

HOLDS_A_FILE = """
import pathlib, signal, sys
from benchwatch.report.whole_file import written_beside
with written_beside(pathlib.Path(sys.argv[1]), b"half"):
    print("written", flush=True)
    signal.pause()
"""

REPLACES_A_FILE = """
import pathlib, sys
from benchwatch.report.whole_file import write_whole
for byte in range(1, 250):
    content = bytes([byte]) * int(sys.argv[2])
    write_whole(pathlib.Path(sys.argv[1]), content, replaces=True)
"""


def names(folder: Path) -> list[str]:
    """Return the names of all files in a folder."""
    return sorted(one.name for one in folder.iterdir())


def test_a_file_is_written_with_the_usual_rights(tmp_path):
    """Its content is all there, nothing else is, and others may read what they usually may."""
    path = tmp_path / "report.html"
    usual = tmp_path / "usual"
    usual.touch()

    write_whole(path, b"content", replaces=False)

    assert path.read_bytes() == b"content"
    assert path.stat().st_mode == usual.stat().st_mode
    assert names(tmp_path) == ["report.html", "usual"]


@pytest.mark.parametrize("has_links", [True, False])
def test_a_file_that_is_there_stays(tmp_path, monkeypatch, has_links):
    """Also where it came into being after the first look; with links or without."""
    path = tmp_path / "report.html"
    if not has_links:
        monkeypatch.setattr(os, "link", lambda *_: (_ for _ in ()).throw(OSError("no links")))
    with written_beside(path, b"new") as beside:
        path.write_bytes(b"old")
        with pytest.raises(UsageError, match="stays as it is"):
            give_name(beside, path, replaces=False)

    with pytest.raises(UsageError, match="stays as it is"):
        write_whole(path, b"new", replaces=False)
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["report.html"]


def test_a_file_system_without_links(tmp_path, monkeypatch):
    """The file gets its name with all of its content."""
    monkeypatch.setattr(os, "link", lambda *_: (_ for _ in ()).throw(OSError("no links")))

    write_whole(tmp_path / "report.html", b"content", replaces=False)

    assert (tmp_path / "report.html").read_bytes() == b"content"
    assert names(tmp_path) == ["report.html"]


def test_what_a_killed_program_left_is_removed(tmp_path):
    """But not what a living one still writes, and no file of another name."""
    path = tmp_path / "report.html"
    (tmp_path / ".other.part").write_text("somebody else's")
    process = start_python(HOLDS_A_FILE, str(path))
    assert process.stdout is not None
    assert process.stdout.readline() == "written\n"

    write_whole(tmp_path / "first.html", b"1", replaces=False)
    while_alive = names(tmp_path)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    write_whole(tmp_path / "second.html", b"2", replaces=False)

    assert len([name for name in while_alive if name.startswith(".benchwatch-")]) == 1
    assert names(tmp_path) == [".other.part", "first.html", "second.html"]


def test_a_full_disk_leaves_nothing(tmp_path):
    """A sentence says that there is no room, and the disk holds what it held before."""
    with tiny_disk(tmp_path / "disk", "16k") as disk:
        with pytest.raises(FileError, match="can't be written: No space left on device"):
            write_whole(disk / "report.pdf", b"x" * 100_000, replaces=False)

        assert names(disk) == []


@pytest.mark.parametrize("where", ["no-folder/report.html", "\0.html", "report.html/inside.html"])
def test_a_place_that_is_none(tmp_path, where):
    """A missing folder, a file in its place and an impossible name are refused in a sentence."""
    (tmp_path / "report.html").touch()

    with pytest.raises(FileError, match="can't be written"):
        write_whole(tmp_path / where, b"x", replaces=False)


def test_a_file_is_replaced_where_that_is_said(tmp_path):
    """The new content is there as a whole, and nothing else."""
    path = tmp_path / "picture.svg"
    path.write_bytes(b"the old one, which is longer")

    write_whole(path, b"new", replaces=True)

    assert path.read_bytes() == b"new"
    assert names(tmp_path) == ["picture.svg"]


def test_a_program_that_is_killed_leaves_the_old_file_or_the_new(tmp_path):
    """Whatever the moment, the file is of one content and of its whole length."""
    path, size = tmp_path / "picture.svg", 3_000_000
    path.write_bytes(bytes([0]) * size)
    process = start_python(REPLACES_A_FILE, str(path), str(size))
    while path.read_bytes()[:1] == b"\0":
        assert process.poll() is None
    process.send_signal(signal.SIGKILL)
    process.communicate()

    content = path.read_bytes()
    assert len(content) == size
    assert len(set(content)) == 1
