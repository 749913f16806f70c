"""Names of files on systems that rename no open file, and words that are paths there."""

import os
from pathlib import Path
from typing import Any

import pytest

from benchwatch.bus.file_wire import file_of
from benchwatch.journal.damaged_file import set_aside
from benchwatch.system import file_names
from benchwatch.system.file_names import looks_like_path, replace_file, sync_folder

SHARING_VIOLATION = 32


def in_use() -> PermissionError:
    """Return the error by which Windows says that another program has a file open."""
    error = PermissionError(13, "The process cannot access the file")
    error.winerror = SHARING_VIOLATION  # type: ignore[attr-defined] # as on Windows
    return error


busy_tries = [0]


@pytest.fixture
def busy(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Rename only after as many tries as there are numbers here; each wait is added."""
    waits: list[float] = []
    replace = Path.replace

    def tried(self: Path, target: Path) -> Path:
        if len(waits) < busy_tries[0]:
            raise in_use()
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", tried)
    monkeypatch.setattr(file_names.time, "sleep", waits.append)
    return waits


def test_a_file_that_is_scanned_is_replaced_a_little_later(
    busy: list[float], tmp_path: Path
) -> None:
    """Another program that has the file open for a moment does not prevent the renaming."""
    busy_tries[0] = 3
    (tmp_path / "new").write_text("new")
    (tmp_path / "old").write_text("old")

    replace_file(tmp_path / "new", tmp_path / "old")

    assert (tmp_path / "old").read_text() == "new"
    assert len(busy) == 3


def test_a_file_that_stays_open_elsewhere_is_named(busy: list[float], tmp_path: Path) -> None:
    """After a second the error says what to do, and both files are as they were."""
    busy_tries[0] = 1000
    (tmp_path / "new").write_text("new")
    (tmp_path / "old").write_text("old")

    with pytest.raises(PermissionError, match="another program has it open"):
        replace_file(tmp_path / "new", tmp_path / "old")

    assert sum(busy) == pytest.approx(file_names.LONGEST_RETRY_S)
    assert (tmp_path / "new").read_text() == "new"
    assert (tmp_path / "old").read_text() == "old"


def test_a_lack_of_rights_is_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Elsewhere a refusal is final."""
    waits: list[float] = []
    monkeypatch.setattr(file_names.time, "sleep", waits.append)

    def refuse(self: Path, target: Path) -> Path:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "replace", refuse)

    with pytest.raises(PermissionError, match="Permission denied"):
        replace_file(tmp_path / "new", tmp_path / "old")
    assert waits == []


def test_a_folder_that_cant_be_opened_is_no_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Windows opens no folders: then its new names are not brought to the disk at once."""

    def refuse(*_: Any) -> int:
        raise PermissionError(13, "Permission denied")

    sync_folder(tmp_path)
    monkeypatch.setattr(os, "open", refuse)
    sync_folder(tmp_path)


@pytest.mark.parametrize(
    ("text", "on_windows", "elsewhere"),
    [
        ("C:\\bench\\counter.log", True, False),
        ("C:counter.log", True, False),
        ("..\\counter.log", True, False),
        ("\\\\server\\share\\counter.log", True, False),
        ("C:/bench/counter.log", True, True),
        ("./counter.log", True, True),
        ("~counter", True, True),
        ("counter.log", False, False),
        ("192.168.1.20", False, False),
        ("-", False, False),
    ],
)
def test_words_that_can_only_be_paths(text: str, on_windows: bool, elsewhere: bool) -> None:
    """A drive letter and a backslash make a path on Windows, and are parts of names elsewhere."""
    assert looks_like_path(text, "win32") is on_windows
    assert looks_like_path(text, "linux") is elsewhere
    assert looks_like_path(text, "darwin") is elsewhere


@pytest.mark.parametrize(
    "resource", ["ASRL3::INSTR", "TCPIP0::host::5025::SOCKET", "GPIB0::5::INSTR"]
)
def test_a_resource_string_is_no_path_on_any_system(
    resource: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its colons are not those of a drive."""
    monkeypatch.setattr(file_names.sys, "platform", "win32")

    assert file_of(resource) is None


def test_a_file_is_named_with_its_drive() -> None:
    """``FILE::`` takes what follows as it is, so that a drive's colon does no harm."""
    assert file_of("FILE::C:\\bench\\counter.log") == "C:\\bench\\counter.log"


def test_a_journal_that_is_open_is_not_set_aside_by_halves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where an open log can't be removed, journal and log have their old names again."""
    files = {"journal.db": b"journal", "journal.db-wal": b"log", "journal.db-shm": b"index"}
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    unlink = Path.unlink

    def refuse_open(self: Path, missing_ok: bool = False) -> None:
        if self.name == "journal.db-wal":
            raise in_use()
        unlink(self, missing_ok)

    monkeypatch.setattr(Path, "unlink", refuse_open)

    with pytest.raises(PermissionError):
        set_aside(tmp_path / "journal.db", 1_935_656_430.0)

    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == files
