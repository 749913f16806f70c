"""Signals of job control and of the end, in any order: the terminal is restored."""

import os
import re
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import psutil
import pytest
from load_kit import LONGEST_WAIT_S, Stopwatch
from terminal_kit import MADE_OSCILLATOR, Terminal

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")

STOP, CONT, TSTP = signal.SIGSTOP, signal.SIGCONT, signal.SIGTSTP
TERM, HUP, QUIT = signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT
USUAL = {"7": "h", "25": "h", "1000": "l", "1003": "l", "1004": "l", "1006": "l", "1049": "l",
         "2004": "l", "2048": "l"}  # fmt: skip
"""Private modes of an unused terminal (xterm's control sequences, DECSET): lines wrap, a cursor, no
mouse, no focus, the first screen, no bracketed paste, no sizes."""


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    """Open a screen over a made oscillator, on its controlling terminal."""
    program = (
        "import fcntl, runpy, sys, termios; fcntl.ioctl(1, termios.TIOCSCTTY, 0);"
        "sys.path.insert(0, sys.argv[1]); sys.argv = ['made_oscillator_program', *sys.argv[2:]];"
        "runpy.run_module('made_oscillator_program', run_name='__main__')"
    )
    log = str(tmp_path / "screen.log")
    command = [sys.executable, "-c", program, str(MADE_OSCILLATOR.parent), "--log", log]
    opened = Terminal(command, tmp_path)
    opened.wait_for("q quit")
    yield opened
    opened.close()


def left_on(terminal: Terminal) -> dict[str, str]:
    """Return the private modes set last that are not as usual, and the pushed keyboard modes."""
    seen = terminal.seen.decode("utf-8", "replace")
    modes = dict(re.findall(r"\x1b\[\?(\d+)([hl])", seen))
    left = {mode: how for mode, how in modes.items() if USUAL.get(mode, "l") != how}
    pushed = len(re.findall(r"\x1b\[>\d*u", seen)) - len(re.findall(r"\x1b\[<\d*u", seen))
    return left | ({"keys": str(pushed)} if pushed else {})


def is_stopped(terminal: Terminal) -> bool:
    """Return whether the process is stopped (proc(5): state T)."""
    status = Path(f"/proc/{terminal.child.pid}/stat").read_text(encoding="utf-8")
    return status.rpartition(")")[2].split()[0] == "T"


def send(terminal: Terminal, numbers: Sequence[int]) -> None:
    """Send signals at once, but wait until a process that restores its terminal has stopped."""
    for number in numbers:
        terminal.child.send_signal(number)
        if number == TSTP:
            wait_until_stopped(terminal)


def wait_until_stopped(terminal: Terminal) -> None:
    """Read until the process has stopped."""
    deadline_s = time.monotonic() + LONGEST_WAIT_S
    while not is_stopped(terminal):
        assert time.monotonic() < deadline_s, "it does not stop"
        terminal.read(0.02)


@pytest.mark.parametrize(
    "numbers",
    [
        [STOP, TERM, CONT],
        [TERM, STOP, CONT],
        [CONT, CONT, STOP, CONT, QUIT],
        [TSTP, TERM, CONT],
        [TSTP, CONT, STOP, HUP, CONT, CONT],
    ],
    ids=lambda numbers: "-".join(signal.Signals(one).name for one in numbers),
)
def test_the_terminal_is_restored_in_any_order_of_signals(terminal, numbers):
    """The end within 8 s, modes as before, nothing of the screen left on."""
    send(terminal, numbers)
    stopwatch = Stopwatch(terminal.child.pid)
    code = terminal.end()
    lasted_s = stopwatch.elapsed_s

    assert code == 130
    assert lasted_s < 8
    assert terminal.modes() == terminal.before
    assert left_on(terminal) == {}


def test_a_stopped_screen_gives_the_terminal_back_and_takes_it_again(terminal, tmp_path):
    """SIGTSTP: as before while it is stopped; SIGCONT: drawn again, keys work, q ends it with 0."""
    drawing = terminal.modes()
    send(terminal, [TSTP])
    while terminal.read(0.0):
        pass
    stopped, left = terminal.modes(), left_on(terminal)
    terminal.child.send_signal(CONT)
    terminal.wait_until(lambda _: terminal.modes() == drawing)
    terminal.type(b"5")
    terminal.wait_for("notes, ")
    again = terminal.modes()
    terminal.child.send_signal(STOP)
    wait_until_stopped(terminal)
    terminal.child.send_signal(CONT)
    terminal.type(b"1")
    terminal.wait_for("zoom")
    terminal.type(b"q")
    code = terminal.end()

    assert stopped == terminal.before
    assert left == {}
    assert again == drawing
    assert drawing != terminal.before
    assert code == 0
    assert terminal.modes() == terminal.before
    assert left_on(terminal) == {}
    assert (tmp_path / "screen.log").read_text(encoding="utf-8") == ""


SHELL = """
import fcntl, os, signal, subprocess, sys, termios
fcntl.ioctl(1, termios.TIOCSCTTY, 0)
signal.signal(signal.SIGTTOU, signal.SIG_IGN)
signal.signal(signal.SIGUSR1, lambda *_: os.tcsetpgrp(1, os.getpgrp()))
def to_foreground():
    os.setpgid(0, 0)
    os.tcsetpgrp(1, os.getpgrp())
    signal.signal(signal.SIGTTOU, signal.SIG_DFL)
child = subprocess.Popen(sys.argv[1:], preexec_fn=to_foreground)
sys.exit(child.wait() % 256)
"""
"""A shell with jobs: each has a process group, one of which has the terminal."""


@pytest.mark.parametrize("numbers", [[TERM], [STOP, TERM, CONT], [TSTP, TERM, CONT]])
def test_a_screen_in_the_background_ends_at_a_signal(tmp_path, numbers):
    """Restoring another program's terminal does not stop this one (POSIX.1-2017, 11.1.4)."""
    log = str(tmp_path / "screen.log")
    command = [sys.executable, "-c", SHELL, sys.executable, str(MADE_OSCILLATOR), "--log", log]
    terminal = Terminal(command, tmp_path)
    try:
        terminal.wait_for("q quit")
        (screen,) = psutil.Process(terminal.child.pid).children()
        if numbers[0] != TERM:
            screen.send_signal(numbers[0])
            deadline_s = time.monotonic() + LONGEST_WAIT_S
            while screen.status() != psutil.STATUS_STOPPED:
                assert time.monotonic() < deadline_s
                terminal.read(0.02)
        terminal.child.send_signal(signal.SIGUSR1)
        while os.tcgetpgrp(terminal.master) != terminal.child.pid:
            terminal.read(0.02)
        for number in numbers[-2:]:
            screen.send_signal(number)
        code = terminal.end()

        assert code == 130
        assert terminal.modes() == terminal.before
        assert left_on(terminal) == {}
    finally:
        terminal.close()
