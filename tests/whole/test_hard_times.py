"""The real command while the disk, the journal, the terminal or the process is taken away."""

import contextlib
import json
import os
import re
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import termios
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Self

import pytest
from counter_kit import TinyCounter, tiny_counter, value_of
from load_kit import LONGEST_WAIT_S, Stopwatch
from program_kit import COMMAND, start_program
from terminal_kit import Terminal

from benchwatch.journal.journal_reader import read_events, read_runs
from benchwatch.reading import Gap, Reading

GATE_S = 0.01
LEAVE_ALTERNATE = b"\x1b[?1049l"


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch) -> Path:
    """A home of its own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path


def kept_in(path: Path) -> list[int]:
    """Return which readings of the tiny counter the only run in a journal has, in order."""
    (run,) = read_runs(path)
    events = list(read_events(path, run))
    assert not any(isinstance(event, Gap) for event in events)
    return [round((e.frequency_hz - 1e7) * 1e4) for e in events if isinstance(e, Reading)]


# ------------------------------------------------------------- ways to take the file away


class SizeLimit:
    """The kernel lets no file of the child grow, as on a full disk."""

    says = "can't be written"

    def __init__(self, path: Path) -> None:
        self.path = path

    def choke(self, pid: int) -> None:
        """Leave room for a few more readings."""
        size = self.path.with_name(self.path.name + "-wal").stat().st_size
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (size + 20_000, resource.RLIM_INFINITY))

    def relieve(self, pid: int) -> None:
        """Make room."""
        resource.prlimit(
            pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
        )

    def close(self) -> None:
        """Nothing is left."""


class TinyDisk:
    """A memory disk of 160 kB that can be made larger."""

    says = "disk is full"

    def __init__(self, path: Path) -> None:
        self.path = path
        self._mount("-t", "tmpfs", "-o", "size=160k", "tmpfs")

    def choke(self, pid: int) -> None:
        """It fills by itself."""

    def relieve(self, pid: int) -> None:
        """Make room."""
        self._mount("-o", "remount,size=16m")

    def close(self) -> None:
        """Take the disk away."""
        subprocess.run(["umount", str(self.path.parent)], check=True)

    def _mount(self, *options: str) -> None:
        done = subprocess.run(
            ["mount", *options, str(self.path.parent)], capture_output=True, text=True, check=False
        )
        if done.returncode:
            pytest.skip(f"no memory disk can be mounted here: {done.stderr.strip()}")


class Lock:
    """Another program holds the journal in a long transaction."""

    says = "is locked by another program"

    def __init__(self, path: Path) -> None:
        self.path = path

    def choke(self, pid: int) -> None:
        """Begin it."""
        self._other = sqlite3.connect(self.path, isolation_level=None, timeout=10)
        self._other.execute("BEGIN EXCLUSIVE")

    def relieve(self, pid: int) -> None:
        """End it."""
        self._other.execute("COMMIT")

    def close(self) -> None:
        """Let go."""
        self._other.close()


Trouble = SizeLimit | TinyDisk | Lock


@contextlib.contextmanager
def place_for(trouble: Callable[[Path], Trouble], folder: Path) -> Iterator[Trouble]:
    """Give a journal's place with that trouble to come."""
    (folder / "disk").mkdir()
    opened = trouble(folder / "disk" / "journal.db")
    try:
        yield opened
    finally:
        opened.close()


# ------------------------------------------------------------- the journal can't be written


@pytest.mark.parametrize("trouble", [SizeLimit, TinyDisk])
def test_lines_go_on_while_the_journal_cant_be_written(home, trouble):
    """Each line comes, the narration says what is wrong and when it is over, nothing is lost."""
    with place_for(trouble, home) as place, tiny_counter(GATE_S) as counter:
        with Lines(counter, place.path) as watch:
            watch.lines(20)
            place.choke(watch.process.pid)
            watch.until_said(place.says)
            watch.lines(20)
            place.relieve(watch.process.pid)
            watch.until_said("the journal is written again.")
            watch.lines(20)
            code = watch.interrupt()
        kept = kept_in(place.path)

    assert code == 130, watch.narration
    assert "Readings wait in memory." in watch.narration
    assert "Traceback" not in watch.narration
    assert watch.shown == [value_of(n) for n in range(1, len(watch.shown) + 1)]
    assert kept == list(range(1, len(watch.shown) + 1))


class Lines:
    """A watch of `counter` that writes JSON lines, as far as its lines and narration were read."""

    def __init__(self, counter: TinyCounter, journal: Path) -> None:
        self.process = start_program(
            "watch", counter.resource, "--nominal", "10MHz", "--json", "--journal", str(journal)
        )
        self._said: list[str] = []
        self._read: list[str] = []
        self._listener = threading.Thread(
            target=lambda: self._said.extend(self.process.stderr), daemon=True
        )

    def __enter__(self) -> Self:
        self._listener.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        self._listener.join(LONGEST_WAIT_S)
        self.process.stdout.close()
        self.process.stderr.close()

    @property
    def narration(self) -> str:
        """What it said on standard error."""
        return "".join(self._said)

    @property
    def shown(self) -> list[float]:
        """The frequencies on its lines."""
        lines = [json.loads(line) for line in self._read]
        return [line["frequency_hz"] for line in lines if line["kind"] == "reading"]

    def lines(self, count: int) -> None:
        """Read some lines."""
        for _ in range(count):
            self._read.append(self.process.stdout.readline())
            assert self._read[-1], "it ended"

    def until_said(self, words: str) -> None:
        """Read lines until the narration has said something."""
        while not any(words in line for line in self._said):
            self.lines(1)

    def interrupt(self) -> int:
        """End it as Ctrl-C does, read what is left, return its exit code."""
        self.process.send_signal(signal.SIGINT)
        self._read += self.process.stdout
        code = self.process.wait(LONGEST_WAIT_S)
        self._listener.join(LONGEST_WAIT_S)
        return code


@contextlib.contextmanager
def on_screen(home: Path, counter: TinyCounter, *options: str) -> Iterator[Terminal]:
    """Watch `counter` on the screen of a real terminal."""
    command = [
        *COMMAND, "watch", counter.resource, "--nominal", "10MHz", *options,
    ]  # fmt: skip
    terminal = Terminal(command, home, width=120, height=36)
    try:
        yield terminal
    finally:
        terminal.close()


@pytest.mark.parametrize("trouble", [SizeLimit, Lock])
def test_the_screen_stays_alive_while_the_journal_cant_be_written(home, trouble):
    """It says so, follows the readings, says nothing once all is written, and nothing is lost."""
    with place_for(trouble, home) as place, tiny_counter(GATE_S) as counter:
        with on_screen(home, counter, "--journal", str(place.path)) as terminal:
            terminal.wait_for("q quit")
            terminal.wait_until(lambda _: counter.answered > 20)
            place.choke(terminal.child.pid)
            terminal.wait_for("not being journaled")
            terminal.wait_for("not on disk): the journal")
            then = counter.answered
            terminal.wait_until(lambda _: counter.answered > then + 20)
            place.relieve(terminal.child.pid)
            terminal.wait_until(lambda rows: not any("not being journaled" in r for r in rows))
            terminal.type(b"q")
            code = terminal.end()
        kept = kept_in(place.path)

    assert code == 0
    assert kept == list(range(1, len(kept) + 1))
    assert counter.answered - len(kept) <= 1


def test_a_journal_deleted_while_watching_is_begun_again_with_the_whole_run(home):
    """`rm` in the middle of a run: a sentence, and at the end every reading is there."""
    path = home / "place" / "journal.db"
    path.parent.mkdir()
    with tiny_counter(GATE_S) as counter, Lines(counter, path) as watch:
        watch.lines(20)
        shutil.rmtree(path.parent)
        path.parent.mkdir()
        watch.until_said("it was moved or deleted, and is begun anew")
        watch.lines(20)
        code = watch.interrupt()

    assert code == 130, watch.narration
    assert kept_in(path) == list(range(1, len(watch.shown) + 1))


def test_what_a_locked_journal_never_took_is_left_beside_it(home):
    """Locked to the very end: exit 5, and the sentence names the file that has the run."""
    path = home / "journal.db"
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        with tiny_counter() as counter:
            options = ("--json", "--count", "3", "--journal", str(path))
            start_program("watch", counter.resource, "--nominal", "10MHz", *options).communicate()
        other.execute("BEGIN EXCLUSIVE")
        with tiny_counter() as counter:
            process = start_program("watch", counter.resource, "--nominal", "10MHz", *options)
            _, narration = process.communicate()

    beside = re.search(r"are not in it, but in (\S+\.db)\.", narration)
    assert process.returncode == 5
    assert beside is not None, narration
    assert kept_in(Path(beside[1])) == [1, 2, 3]


# ------------------------------------------------------------- the process and the terminal


def test_a_killed_screen_loses_at_most_the_reading_in_flight(home):
    """SIGKILL with the screen on: all that the counter gave is in the journal, once."""
    path = home / "journal.db"
    with tiny_counter(GATE_S) as counter:
        with on_screen(home, counter, "--journal", str(path)) as terminal:
            terminal.wait_for("q quit")
            terminal.wait_until(lambda _: counter.answered > 100)
            terminal.child.kill()
            terminal.child.wait()
        given = counter.answered

    kept = kept_in(path)
    assert kept == list(range(1, len(kept) + 1))
    assert given - len(kept) <= 1
    assert read_runs(path)[0].ended_utc_s is None


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_to_the_real_watch_leaves_terminal_and_counter_as_they_were(home, number):
    """`stty -a` says the same as before, the alternate screen is left, nothing was set."""
    with tiny_counter(GATE_S) as counter, on_screen(home, counter, "--no-journal") as terminal:
        name = os.ttyname(terminal.slave)
        terminal.wait_for("q quit")
        during = stty(name)
        terminal.child.send_signal(number)
        code = terminal.end()
        after = stty(name)
        same = termios.tcgetattr(terminal.slave) == terminal.before

    assert code == 130
    assert same
    assert after != during
    assert " icanon" in after
    assert LEAVE_ALTERNATE in terminal.seen
    assert counter.settings == []


def stty(name: str) -> str:
    """Return the settings of a terminal, as the standard tool prints them."""
    command = ["stty", "-a", "-F" if sys.platform == "linux" else "-f", name]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize(("rate", "readings"), [(10, 10), (100, 150)])
def test_no_reading_is_lost_with_the_screen_on(home, rate, readings):
    """The journal has as many readings as the counter gave, at 10 and at 100 a second."""
    path = home / "journal.db"
    options = ("--journal", str(path), "--count", str(readings))
    with tiny_counter(1 / rate) as counter, on_screen(home, counter, *options) as terminal:
        stopwatch = Stopwatch(terminal.child.pid)
        code = terminal.end()
        lasted_s = stopwatch.elapsed_s

    assert code == 0
    assert kept_in(path) == list(range(1, readings + 1))
    assert counter.answered - readings <= 1
    assert lasted_s < readings / rate + 15
