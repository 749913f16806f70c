"""Terminals, and systems whose terminals have no modes and no foreground."""

import os
import pty
import sys
import termios
from pathlib import Path

import pytest

from benchwatch.screen.terminal import screen_process
from benchwatch.system.pseudo_terminal import open_pseudo_terminal, read_near_end
from benchwatch.system.terminal_modes import (
    draws_on_descriptor,
    drop_output,
    has_terminal_modes,
    in_foreground,
    is_hung_up,
    open_own_terminal,
    restore_terminal,
    terminal_modes,
)


def test_modes_are_read_and_restored() -> None:
    """A changed mode is as it was afterwards; a vanished terminal has no modes."""
    near, far = pty.openpty()
    before = terminal_modes(far)
    changed = termios.tcgetattr(far)
    changed[3] &= ~termios.ECHO
    termios.tcsetattr(far, termios.TCSANOW, changed)

    restore_terminal(far, before)
    after, there = terminal_modes(far), is_hung_up(far)
    os.close(near)
    gone = is_hung_up(far)
    os.close(far)

    assert after == before != changed
    assert (there, gone) == (False, True)


def test_without_modes_nothing_is_done(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there is no ``termios`` nothing is read, set or missed."""
    monkeypatch.setitem(sys.modules, "termios", None)
    near, far = pty.openpty()
    for name in ("tcgetpgrp", "getpgrp"):
        monkeypatch.delattr(os, name)

    restore_terminal(far, [1, 2, 3])
    drop_output(far)

    assert not has_terminal_modes()
    assert terminal_modes(far) is None
    assert not is_hung_up(far)
    assert in_foreground(far)
    os.close(near)
    os.close(far)


def test_keys_come_from_the_console_of_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """The name of its keyboard is asked for, and that of the terminal elsewhere."""
    asked: list[str] = []

    def refuse(path: str, _flags: int) -> int:
        asked.append(path)
        raise FileNotFoundError(2, "No such file or directory")

    monkeypatch.setattr(os, "open", refuse)
    for platform in ("win32", "linux", "darwin"):
        with pytest.raises(FileNotFoundError):
            open_own_terminal(platform)

    assert asked == ["CONIN$", "/dev/tty", "/dev/tty"]


def test_the_library_draws_on_its_own_stream_on_windows(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """There standard output stays as it is, as bytes would be shown in another code page."""
    assert draws_on_descriptor("linux")
    assert not draws_on_descriptor("win32")
    monkeypatch.setattr(screen_process, "draws_on_descriptor", lambda: False)
    before = sys.__stdout__, sys.__stderr__

    with Path(os.devnull).open("w") as sink, screen_process._drawn_on_terminal(sink, lambda: None):
        during = sys.__stdout__, sys.__stderr__
        os.write(2, b"a library prints")

    assert during == before
    assert capfd.readouterr().err == ""


def test_the_far_end_of_a_line_is_seen_to_close() -> None:
    """Linux reports a closed far end as an error, macOS as an end of the file."""
    near, far, path = open_pseudo_terminal()
    silent = read_near_end(near)
    os.write(far, b"FETCH?")
    said = read_near_end(near)
    os.close(far)
    closed = read_near_end(near)
    os.close(near)
    reading, writing = os.pipe()
    os.close(writing)
    ended = read_near_end(reading)
    os.close(reading)

    assert path
    assert (silent, said, closed, ended) == (b"", b"FETCH?", None, None)


def test_a_system_without_pseudo_terminals_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """The error is one of the system, which the simulated bench turns into a sentence."""
    monkeypatch.delattr(os, "openpty")

    with pytest.raises(OSError):
        open_pseudo_terminal()
