"""Files are opened as bytes, and on Windows so that their writer may still rename them."""

import os
import sys
import types
from pathlib import Path

import pytest

from benchwatch.config_tables.toml_text import read_config_text
from benchwatch.errors import FileError
from benchwatch.system.file_opening import open_shared, read_flags

O_BINARY = 0x8000


def test_binary_is_asked_for_where_the_system_has_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The flag of Windows is added to those of any system."""
    before = read_flags()
    monkeypatch.setattr(os, "O_BINARY", O_BINARY, raising=False)

    assert read_flags() == before | O_BINARY


def test_flags_that_a_system_lacks_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows has neither O_NONBLOCK nor O_NOCTTY."""
    for name in ("O_NONBLOCK", "O_NOCTTY", "O_CLOEXEC"):
        monkeypatch.delattr(os, name, raising=False)

    assert read_flags() == os.O_RDONLY


def test_a_pipe_without_a_writer_is_not_waited_for(tmp_path: Path) -> None:
    """Opening returns at once, and a file of settings that is a pipe is refused."""
    os.mkfifo(tmp_path / "pipe")

    os.close(open_shared(tmp_path / "pipe"))
    with pytest.raises(FileError, match="no ordinary file"):
        read_config_text(tmp_path / "pipe", "bench file", largest=100)


class MadeKernel:
    """Stands in for the system library of Windows that opens files."""

    def __init__(self, handle: int | None) -> None:
        self.calls: list[tuple[object, ...]] = []

        def create(*arguments: object) -> int | None:
            self.calls.append(arguments)
            return handle

        self.CreateFileW = create


def made_windows(monkeypatch: pytest.MonkeyPatch, handle: int | None) -> MadeKernel:
    """Put made modules in place of ``ctypes`` and ``msvcrt``; return the made library."""
    import ctypes

    kernel = MadeKernel(handle)
    made = types.SimpleNamespace(
        **{name: getattr(ctypes, name) for name in ("c_void_p", "c_wchar_p", "c_uint32")},
        WinDLL=lambda name, use_last_error: kernel,
        get_last_error=lambda: 2,
        WinError=lambda code: FileNotFoundError(code, "The system cannot find the file specified"),
    )
    monkeypatch.setitem(sys.modules, "ctypes", made)
    opened = types.SimpleNamespace(open_osfhandle=lambda handle, flags: handle + 1000)
    monkeypatch.setitem(sys.modules, "msvcrt", opened)
    return kernel


def test_the_writer_may_rename_and_delete_on_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """The file is opened for reading, and shared for reading, writing and deleting.

    The numbers are those of CreateFileW in the documentation of Windows (from memory).
    """
    kernel = made_windows(monkeypatch, 7)

    descriptor = open_shared("C:\\bench\\counter.log", "win32")

    assert descriptor == 1007
    assert kernel.calls == [("C:\\bench\\counter.log", 0x80000000, 7, None, 3, 0x80, None)]


def test_a_missing_file_is_the_same_error_on_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """The invalid handle becomes the exception of the system's error."""
    import ctypes

    made_windows(monkeypatch, ctypes.c_void_p(-1).value)

    with pytest.raises(FileNotFoundError):
        open_shared("C:\\bench\\counter.log", "win32")
