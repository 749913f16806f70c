"""The screen in a real pseudo-terminal: what is left behind, however it ends."""

import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")

DRIVER = Path(__file__).with_name("screen_kit.py")
LEAVE_ALTERNATE = b"\x1b[?1049l"
PATIENCE_S = 20.0


class Terminal:
    """A child process on a terminal of its own."""

    def __init__(self, *arguments: str, stderr: int | None = None) -> None:
        self.master, self.slave = pty.openpty()
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.before = termios.tcgetattr(self.slave)
        self.seen = b""
        self.child = subprocess.Popen(
            [sys.executable, str(DRIVER), *arguments],
            stdin=self.slave,
            stdout=self.slave,
            stderr=self.slave if stderr is None else stderr,
            env={**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"},
            start_new_session=True,
        )

    def wait_for(self, text: bytes) -> None:
        """Read until `text` has appeared."""
        deadline_s = time.monotonic() + PATIENCE_S
        while text not in self.seen:
            assert time.monotonic() < deadline_s, f"{text!r} not seen in {self.seen[-2000:]!r}"
            assert self._read(0.1) or self.child.poll() is None, f"it ended: {self.seen!r}"

    def end(self) -> int:
        """Read until the child has ended; return its exit code."""
        deadline_s = time.monotonic() + PATIENCE_S
        while self.child.poll() is None:
            assert time.monotonic() < deadline_s, "the screen does not end"
            self._read(0.05)
        while self._read(0.0):
            pass
        return self.child.returncode

    def type(self, keys: bytes) -> None:
        """Press keys."""
        os.write(self.master, keys)

    def close(self) -> None:
        """End the child if need be and give the terminal back."""
        if self.child.poll() is None:
            self.child.kill()
            self.child.wait()
        os.close(self.slave)
        os.close(self.master)

    def _read(self, timeout_s: float) -> bool:
        if not select.select([self.master], [], [], timeout_s)[0]:
            return False
        self.seen += os.read(self.master, 65536)
        return True


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A log file of its own."""
    return tmp_path / "state" / "screen.log"


@pytest.fixture
def terminals() -> Iterator[list[Terminal]]:
    """Terminals that are closed afterwards."""
    opened: list[Terminal] = []
    yield opened
    for one in opened:
        one.close()


@pytest.mark.parametrize(
    ("ending", "code"),
    [
        (b"q", 0),
        (b"\x03", 130),
        (signal.SIGTERM, 130),
        (signal.SIGHUP, 130),
        (signal.SIGINT, 130),
    ],
    ids=["q", "Ctrl-C", "SIGTERM", "SIGHUP", "SIGINT"],
)
def test_the_terminal_is_left_as_it_was(terminals, log, ending, code):
    """Whatever ends the screen: the exit code is right, modes and the screen are restored."""
    terminal = Terminal("--log", str(log))
    terminals.append(terminal)
    terminal.wait_for(b"q\x1b")
    if isinstance(ending, bytes):
        terminal.type(ending)
    else:
        terminal.child.send_signal(ending)

    assert terminal.end() == code
    assert termios.tcgetattr(terminal.slave) == terminal.before
    assert LEAVE_ALTERNATE in terminal.seen


def test_a_crash_is_one_sentence_and_a_log(terminals, log):
    """After a crash: exit 1, a clean terminal, one harmless sentence, the traceback in the log."""
    terminal = Terminal("--log", str(log), "--crash-after", "0.5")
    terminals.append(terminal)

    assert terminal.end() == 1
    after = terminal.seen.rpartition(LEAVE_ALTERNATE)[2].decode()
    assert termios.tcgetattr(terminal.slave) == terminal.before
    assert after.count("benchwatch: the screen stopped: RuntimeError: made to crash") == 1
    assert "Traceback" not in after
    assert "\x1b[31m" not in after
    assert "made to crash" in log.read_text(encoding="utf-8")
    assert "\x1b" not in log.read_text(encoding="utf-8")


def test_chatter_on_descriptor_2_stays_out_of_the_picture(terminals, log):
    """What a library written in C prints lands in the log, not on the screen."""
    terminal = Terminal("--log", str(log), "--chatter")
    terminals.append(terminal)
    terminal.wait_for(b"q\x1b")
    terminal.type(b"q")

    assert terminal.end() == 0
    assert b"chatter" not in terminal.seen
    assert "chatter of a library" in log.read_text(encoding="utf-8")


def test_standard_error_may_be_a_file(terminals, log, tmp_path):
    """With 2> the screen still stands on the terminal, and a crash is said in the file."""
    narration = tmp_path / "narration.txt"
    with narration.open("wb") as sink:
        terminal = Terminal("--log", str(log), "--crash-after", "0.5", stderr=sink.fileno())
        terminals.append(terminal)
        code = terminal.end()

    assert code == 1
    assert b"1 Trim" in terminal.seen
    assert narration.read_text(encoding="utf-8").startswith("benchwatch: the screen stopped")


def test_a_log_that_cannot_be_written_does_not_stop_the_screen(terminals, tmp_path):
    """The screen runs without its log."""
    blocked = tmp_path / "file"
    blocked.write_text("in the way", encoding="utf-8")
    terminal = Terminal("--log", str(blocked / "screen.log"))
    terminals.append(terminal)
    terminal.wait_for(b"q\x1b")
    terminal.type(b"q")

    assert terminal.end() == 0
