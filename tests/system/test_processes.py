"""Other processes and limits, where the system has POSIX calls and where it has not."""

import os
import subprocess
import sys

import pytest

from benchwatch.system.processes import apart, is_alive, lower_priority, most_open_files
from benchwatch.web.connections import MOST_CONNECTIONS, most_connections


def test_a_program_apart_gets_no_key_of_ours() -> None:
    """It is in a session of its own here; on Windows in a group of its own, at low priority.

    The numbers are those of the documentation of `subprocess` and of Windows (from memory).
    """
    program = "import os; print(os.getsid(0) == os.getpid())"
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False, **apart()
    )

    assert done.stdout == "True\n"
    assert apart(platform="win32") == {"creationflags": 0x200}
    assert apart(low_priority=True, platform="win32") == {"creationflags": 0x4200}


def test_no_signal_is_sent_to_ask_on_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Signal 0 would interrupt there: it is not known whether a process lives."""

    def killed(*_: int) -> None:
        pytest.fail("a signal was sent")

    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()

    assert (is_alive(os.getpid()), is_alive(child.pid)) == (True, False)
    monkeypatch.setattr(os, "kill", killed)
    assert is_alive(os.getpid(), "win32") is None


def test_without_priorities_nothing_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows sets the priority at the start only."""
    monkeypatch.delattr(os, "setpriority")

    lower_priority(os.getpid())


def test_without_limits_of_files_pages_have_their_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system tells no limit, the number of connections is the usual one."""
    assert (most_open_files() or 1) > 0
    monkeypatch.setitem(sys.modules, "resource", None)

    assert most_open_files() is None
    assert most_connections() == MOST_CONNECTIONS
