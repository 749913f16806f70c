"""Locks on files and folders, with the locks of POSIX systems and with made ones of Windows."""

import errno
import os
import sys
import types
from pathlib import Path

import pytest

from benchwatch.journal import journal_file
from benchwatch.journal.journal_file import locked_folder
from benchwatch.report import whole_file
from benchwatch.report.whole_file import write_whole
from benchwatch.system import file_locks
from benchwatch.system.file_locks import LOCKED_BYTE, lock_file, open_folder_to_lock


class MadeLocks(types.ModuleType):
    """Stands in for ``msvcrt``: locks of bytes by position, as its documentation describes them."""

    LK_NBLCK = 2

    def __init__(self) -> None:
        super().__init__("msvcrt")
        self.held: dict[tuple[int, int], int] = {}

    def locking(self, handle: int, mode: int, count: int) -> None:
        """Lock `count` bytes from the position of the file; EACCES: somebody else has them."""
        assert (mode, count) == (self.LK_NBLCK, 1)
        assert os.lseek(handle, 0, os.SEEK_CUR) == LOCKED_BYTE
        place = (os.fstat(handle).st_dev, os.fstat(handle).st_ino)
        if self.held.get(place, handle) != handle:
            raise OSError(errno.EACCES, "Permission denied")
        self.held[place] = handle

    def released(self, handle: int) -> None:
        """Forget the locks of a handle, as closing it does."""
        self.held = {place: by for place, by in self.held.items() if by != handle}


@pytest.fixture
def windows_locks(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> MadeLocks:
    """A system without ``fcntl``, whose folder for temporary files is `tmp_path`/temp."""
    made = MadeLocks()
    monkeypatch.setitem(sys.modules, "fcntl", None)
    monkeypatch.setitem(sys.modules, "msvcrt", made)
    (tmp_path / "temp").mkdir()
    monkeypatch.setattr(file_locks.tempfile, "gettempdir", lambda: str(tmp_path / "temp"))
    return made


def test_a_second_lock_is_refused(tmp_path: Path) -> None:
    """A file that is locked can't be locked through another handle, until that is closed."""
    path = tmp_path / "file"
    first, second = (os.open(path, os.O_RDWR | os.O_CREAT) for _ in range(2))

    lock_file(first)
    with pytest.raises(BlockingIOError):
        lock_file(second)
    os.close(first)
    lock_file(second)
    os.close(second)


def test_a_second_lock_is_refused_on_windows(windows_locks: MadeLocks, tmp_path: Path) -> None:
    """The locks of Windows refuse in the same way, and leave the position of the file alone."""
    path = tmp_path / "file"
    path.write_bytes(b"content")
    first, second = (os.open(path, os.O_RDWR) for _ in range(2))
    os.lseek(first, 3, os.SEEK_SET)

    lock_file(first)
    with pytest.raises(BlockingIOError):
        lock_file(second)
    positions = [os.lseek(handle, 0, os.SEEK_CUR) for handle in (first, second)]
    os.close(first)
    os.close(second)

    assert positions == [3, 0]
    assert path.read_bytes() == b"content"


def test_another_error_of_a_lock_is_no_lock_of_somebody(
    windows_locks: MadeLocks, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that can't lock raises its own error, which is not taken for a lock held elsewhere."""

    def refuse(*_: object) -> None:
        raise OSError(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr(windows_locks, "locking", refuse)
    handle = os.open(tmp_path / "file", os.O_RDWR | os.O_CREAT)

    with pytest.raises(OSError) as raised:
        lock_file(handle)
    os.close(handle)

    assert not isinstance(raised.value, BlockingIOError)


def test_without_any_locks_it_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Where there are neither locks of POSIX nor of Windows, an error says so."""
    monkeypatch.setitem(sys.modules, "fcntl", None)
    monkeypatch.setitem(sys.modules, "msvcrt", None)
    handle = os.open(tmp_path / "file", os.O_RDWR | os.O_CREAT)

    with pytest.raises(OSError):
        lock_file(handle)
    os.close(handle)


def test_a_file_stands_for_a_folder_on_windows(windows_locks: MadeLocks, tmp_path: Path) -> None:
    """Each folder has a file of its own, by whatever name it is reached; none lies in it."""
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    (tmp_path / "again").symlink_to(tmp_path / "one")
    names = [tmp_path / "one", tmp_path / "again", tmp_path / "two"]

    handles = [open_folder_to_lock(name, "win32") for name in names]
    files = [os.fstat(handle).st_ino for handle in handles if handle is not None]
    for handle in handles:
        assert handle is not None
        os.close(handle)

    assert files[0] == files[1] != files[2]
    assert list((tmp_path / "one").iterdir()) == []


def test_the_journals_folder_is_locked_on_windows(
    windows_locks: MadeLocks, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second program waits for the folder of a journal, and gives up after its time."""
    monkeypatch.setattr(
        journal_file, "open_folder_to_lock", lambda folder: open_folder_to_lock(folder, "win32")
    )

    with locked_folder(tmp_path / "journal.db", 0.0):
        with (
            pytest.raises(TimeoutError),
            locked_folder(tmp_path / "journal.db", 0.05),
        ):
            pytest.fail("two programs have the folder")
        (tmp_path / "other").mkdir()
        with locked_folder(tmp_path / "other" / "journal.db", 0.0):
            pass


def test_a_report_is_written_whole_on_windows(
    windows_locks: MadeLocks, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file is closed before it gets its name, and nothing else is left in its folder."""
    monkeypatch.setattr(whole_file, "renames_open_files", lambda: False)
    folder = tmp_path / "reports"
    folder.mkdir()

    write_whole(folder / "report.pdf", b"first", replaces=False)
    write_whole(folder / "report.pdf", b"second", replaces=True)

    assert [file.name for file in folder.iterdir()] == ["report.pdf"]
    assert (folder / "report.pdf").read_bytes() == b"second"
