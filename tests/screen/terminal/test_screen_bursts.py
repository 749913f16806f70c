"""Many keys in one packet, on a real terminal: only q and Ctrl-C end the screen."""

import fcntl
import os
import random
import resource
import signal
import struct
import sys
import termios
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from seed_kit import unseen_seed
from terminal_kit import MADE_OSCILLATOR, Terminal

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")

NAMED = [b"\r", b"\x1b", b" ", b"\x7f", b"\t", b"\x1b[A", b"\x1b[B", b"\x1b[C", b"\x1b[D",
         b"\x1b[5~", b"\x1b[6~", b"\x1b[H", b"\x1b[F", b"\x1bOA", b"\x1b[Z", b"\x11", b"\x1a",
         b"\x1b[200~pasted\r\n\x1b[201~"]  # fmt: skip
"""Sequences of keys (ECMA-48, 5.4; xterm's control sequences for cursor and editing keys)."""
LETTERS = [bytes([code]) for code in range(0x21, 0x7F) if chr(code) not in "q:"]
"""Without q, and without the command line, which can also end the screen."""


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    """Open a screen over a made oscillator."""
    log = tmp_path / "screen.log"
    opened = Terminal([sys.executable, str(MADE_OSCILLATOR), "--log", str(log)], tmp_path)
    opened.wait_for("q quit")
    yield opened
    opened.close()


BURSTS = [
    (b"m\r\r", "marked: mark"),
    (b"mtwice\r\r\r\r\r\r\r\r", "marked: twice"),
    (b"mlid on\r5", "marked: lid on"),
    (b"mlid\x1b[D\x1b[D\x1b[Dx\r", "marked: xlid"),
    (b":notes\r\r", "notes, "),
    (b"hhhh2", "time axis"),
    (b"b\r\r5", "notes, "),
    (b"?\x1b[6~\x1b[6~\r1", "zoom"),
]
"""Keys, and a text on the screen that shows that all of them were handled."""


SIZES = [b"\x1b[48;99999;99999;1;1t", b"\x1b[48;60000;60000;1;1t\x1b[9999999u\x1b[1;1R"]
"""Reports of the window's size as a terminal sends them, codes of no key, a cursor position."""


def test_what_follows_a_closing_key_goes_to_what_lies_under_it(terminal, tmp_path):
    """Each key is handled before the next: none closes twice, none is lost.

    A report of the window's size among the keys changes nothing, nor do codes of no key.
    """
    for burst, then in BURSTS:
        terminal.type(burst)
        terminal.wait_for(then)
    before = memory_of(terminal)
    for size in SIZES:
        terminal.type(size + b"5")
        terminal.wait_for("notes, ")
        terminal.type(b"1")
        terminal.wait_for("zoom")
    more = memory_of(terminal) - before
    terminal.type(b"q")

    assert more < 50_000_000
    assert terminal.end() == 0
    assert b"stopped" not in terminal.seen
    assert (tmp_path / "screen.log").read_text(encoding="utf-8") == ""


def test_random_bursts_break_nothing(terminal, tmp_path):
    """Letters, cursor keys, pastes, Esc and Enter in any order, in packets of up to 40 keys.

    At the end Enter finishes a mark, and the q after it, in one packet, is no letter of it.
    """
    chance = random.Random(unseen_seed())
    for _ in range(25):
        keys = chance.choices(NAMED * 3 + LETTERS, k=chance.randrange(1, 40))
        terminal.type(b"".join(keys))
        while terminal.read(0.02):
            pass
    terminal.type(b"\x1b")
    terminal.wait_until(lambda rows: "Esc" not in rows[-2] + rows[-1] + "".join(rows[8:20]))
    terminal.type(b"\r\r5")
    terminal.wait_for("notes, ")
    terminal.type(b"mq\rq")

    assert terminal.end() == 0
    assert (tmp_path / "screen.log").read_text(encoding="utf-8") == ""


def memory_of(terminal: Terminal) -> int:
    """Return the resident memory of the process, in bytes."""
    return int(psutil.Process(terminal.child.pid).memory_info().rss)


def test_a_terminal_without_bounds_is_drawn_on_in_part(terminal):
    """As large as the system allows (struct winsize: 16 bits each): it runs, and q ends it."""
    fcntl.ioctl(terminal.slave, termios.TIOCSWINSZ, struct.pack("HHHH", 65535, 65535, 0, 0))
    terminal.child.send_signal(signal.SIGWINCH)
    then = len(terminal.seen)
    terminal.wait_until(lambda _: len(terminal.seen) > then + 100_000)
    terminal.type(b"q")

    assert terminal.end() == 0
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss < 1_500_000  # kB
