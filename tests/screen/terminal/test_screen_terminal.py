"""The screen in a real pseudo-terminal: what every end leaves behind."""

import os
import signal
import sys
import termios
from collections.abc import Iterator
from pathlib import Path

import pytest
from terminal_kit import MADE_OSCILLATOR, Cells, Terminal

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")

LEAVE_ALTERNATE = b"\x1b[?1049l"


def driver(*arguments: str) -> list[str]:
    """Return the command that shows the made oscillator."""
    return [sys.executable, str(MADE_OSCILLATOR), *arguments]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Return the path of a new log file."""
    return tmp_path / "state" / "screen.log"


@pytest.fixture
def terminals() -> Iterator[list[Terminal]]:
    """Return terminals that are closed afterwards."""
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
def test_the_terminal_is_left_as_it_was(terminals, log, tmp_path, ending, code):
    """After each kind of end: the exit code is right, modes and the screen are restored."""
    terminal = Terminal(driver("--log", str(log)), tmp_path)
    terminals.append(terminal)
    terminal.wait_for("q quit")
    if isinstance(ending, bytes):
        terminal.type(ending)
    else:
        terminal.child.send_signal(ending)

    assert terminal.end() == code
    assert termios.tcgetattr(terminal.slave) == terminal.before
    assert LEAVE_ALTERNATE in terminal.seen


def test_a_crash_is_one_sentence_and_a_log(terminals, log, tmp_path):
    """Exit 1, a restored terminal, one sentence without escapes, the traceback in the log."""
    terminal = Terminal(driver("--log", str(log), "--crash-after", "0.5"), tmp_path)
    terminals.append(terminal)

    assert terminal.end() == 1
    after = terminal.seen.rpartition(LEAVE_ALTERNATE)[2].decode()
    assert termios.tcgetattr(terminal.slave) == terminal.before
    assert after.count("benchwatch: the screen stopped: RuntimeError: made to crash") == 1
    assert "Traceback" not in after
    assert "\x1b[31m" not in after
    assert "made to crash" in log.read_text(encoding="utf-8")
    assert "\x1b" not in log.read_text(encoding="utf-8")


def test_chatter_on_descriptor_2_stays_out_of_the_picture(terminals, log, tmp_path):
    """Output of a library written in C is in the log, not on the screen."""
    terminal = Terminal(driver("--log", str(log), "--chatter"), tmp_path)
    terminals.append(terminal)
    terminal.wait_for("q quit")
    terminal.type(b"q")

    assert terminal.end() == 0
    assert b"chatter" not in terminal.seen
    assert "chatter of a library" in log.read_text(encoding="utf-8")


def test_standard_error_may_be_a_file(terminals, log, tmp_path):
    """With 2> the screen is still on the terminal, and a crash is reported in the file."""
    narration = tmp_path / "narration.txt"
    with narration.open("wb") as sink:
        terminal = Terminal(
            driver("--log", str(log), "--crash-after", "0.5"), tmp_path, stderr=sink.fileno()
        )
        terminals.append(terminal)
        code = terminal.end()

    assert code == 1
    assert b"[WARMING]" in terminal.seen
    assert narration.read_text(encoding="utf-8").startswith("benchwatch: the screen stopped")


def test_a_log_that_cannot_be_written_does_not_stop_the_screen(terminals, tmp_path):
    """The screen runs without its log."""
    blocked = tmp_path / "file"
    blocked.write_text("in the way", encoding="utf-8")
    terminal = Terminal(driver("--log", str(blocked / "screen.log")), tmp_path)
    terminals.append(terminal)
    terminal.wait_for("q quit")
    terminal.type(b"q")

    assert terminal.end() == 0


def test_the_picture_reaches_the_terminal_as_drawn(terminals, log, tmp_path):
    """After cursor moves and colours the terminal shows the trim, row by row."""
    command = driver("--log", str(log), "--view", "trim")
    terminal = Terminal(command, tmp_path, width=120, height=36)
    terminals.append(terminal)
    rows = terminal.wait_for("Down/Up coarse")

    assert rows[0].startswith(" main 10 MHz")
    assert rows[1].endswith(tuple("0123456789"))
    assert "Covers off: mains and stored charge, hot oven." in rows[-3]
    assert rows[-2].startswith(" q quit  h help")


@pytest.mark.parametrize("size", [1, 2, 3, 1000])
def test_the_reader_of_terminals_follows_cursor_and_colour(size):
    """Cursor position, colours, private modes and titles of ECMA-48, cut anywhere."""
    written = (
        "\x1b[?1049h\x1b[2;3H\x1b[1;38;2;1;2;3mäb\x1b[0m\x1b]0;title\x07\x1b[1;1Hc\r\nd".encode()
    )
    cells = Cells(6, 3)
    for begin in range(0, len(written), size):
        cells.write(written[begin : begin + size])

    assert cells.rows() == ["c", "d äb", ""]
