"""The real command when the disk is full, the journal locked, or the process killed."""

import contextlib
import os
import re
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import termios
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from counter_kit import TinyCounter, tiny_counter
from journal_kit import BUSY, left_out, read_events, read_runs
from load_kit import Stopwatch
from program_kit import COMMAND, Watching, start_program
from terminal_kit import Terminal

from benchwatch.reading import Gap, Reading

pytestmark = pytest.mark.long

GATE_S = 0.01
LEAVE_ALTERNATE = b"\x1b[?1049l"


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch) -> Path:
    """Set data and state folders of the test's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path


def kept_in(path: Path) -> list[int]:
    """Return the numbers of the readings in the only run of a journal, in order.

    All from the first to the last are there, but for those that its gaps leave out because the
    computer was busy; other gaps there are none.
    """
    (run,) = read_runs(path)
    events = list(read_events(path, run))
    assert not [one for one in events if isinstance(one, Gap) and BUSY not in one.reason]
    numbers = [round((e.frequency_hz - 1e7) * 1e4) for e in events if isinstance(e, Reading)]
    assert numbers == sorted(set(numbers))
    assert numbers[-1] - len(numbers) <= left_out(path)
    return numbers


def shown_by(watch: Watching) -> list[int]:
    """Return the numbers of the readings on the lines of a watch."""
    return [round((hertz - 1e7) * 1e4) for hertz in watch.shown]


# ------------------------------------------------------------- faults of the journal's file


class SizeLimit:
    """A limit on the size of the child's files, which acts like a full disk."""

    narration = "can't be written"

    def __init__(self, path: Path) -> None:
        self.path = path

    def begin(self, pid: int) -> None:
        """Leave room for a few more readings."""
        size = self.path.with_name(self.path.name + "-wal").stat().st_size
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (size + 20_000, resource.RLIM_INFINITY))

    def end(self, pid: int) -> None:
        """Lift the limit."""
        resource.prlimit(
            pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
        )

    def close(self) -> None:
        """Do nothing: the limit was the child's."""


class TinyDisk:
    """A memory disk of 160 kB that can be made larger."""

    narration = "disk is full"

    def __init__(self, path: Path) -> None:
        self.path = path
        self._mount("-t", "tmpfs", "-o", "size=160k", "tmpfs")

    def begin(self, pid: int) -> None:
        """Do nothing: the disk fills by itself."""

    def end(self, pid: int) -> None:
        """Make the disk larger."""
        self._mount("-o", "remount,size=16m")

    def close(self) -> None:
        """Unmount the disk."""
        subprocess.run(["umount", str(self.path.parent)], check=True)

    def _mount(self, *options: str) -> None:
        done = subprocess.run(
            ["mount", *options, str(self.path.parent)], capture_output=True, text=True, check=False
        )
        if done.returncode:
            pytest.skip(f"no memory disk can be mounted here: {done.stderr.strip()}")


class Lock:
    """A long transaction of another program, which locks the journal."""

    narration = "is locked by another program"

    def __init__(self, path: Path) -> None:
        self.path = path

    def begin(self, pid: int) -> None:
        """Begin the transaction."""
        self._other = sqlite3.connect(self.path, isolation_level=None, timeout=10)
        self._other.execute("BEGIN EXCLUSIVE")

    def end(self, pid: int) -> None:
        """End the transaction."""
        self._other.execute("COMMIT")

    def close(self) -> None:
        """Close the journal."""
        self._other.close()


Trouble = SizeLimit | TinyDisk | Lock


@contextlib.contextmanager
def place_for(trouble: Callable[[Path], Trouble], folder: Path) -> Iterator[Trouble]:
    """Yield a fault that holds the path of a journal and can begin there."""
    (folder / "disk").mkdir()
    opened = trouble(folder / "disk" / "journal.db")
    try:
        yield opened
    finally:
        opened.close()


# ------------------------------------------------------------- the journal can't be written


@pytest.mark.parametrize("trouble", [SizeLimit, TinyDisk])
def test_lines_go_on_while_the_journal_cant_be_written(home, trouble):
    """Each line is written, the narration reports the fault and its end, no reading is lost."""
    with place_for(trouble, home) as place, tiny_counter(GATE_S) as counter:
        with Watching(counter.resource, journal=place.path) as watch:
            watch.wait_for_more(20)
            place.begin(watch.process.pid)
            watch.wait_for_narration(place.narration)
            watch.wait_for_more(20)
            place.end(watch.process.pid)
            watch.wait_for_narration("the journal is written again.")
            watch.wait_for_more(20)
            code = watch.end()
        kept = kept_in(place.path)

    assert code == 130, watch.narration
    assert "Readings wait in memory." in watch.narration
    assert "Traceback" not in watch.narration
    assert kept == shown_by(watch)


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
    """The screen shows the fault until its end, follows the readings, and none is lost."""
    with place_for(trouble, home) as place, tiny_counter(GATE_S) as counter:
        with on_screen(home, counter, "--journal", str(place.path)) as terminal:
            terminal.wait_for("q quit")
            terminal.wait_until(lambda _: counter.answered > 20)
            place.begin(terminal.child.pid)
            terminal.wait_for("not being journaled")
            terminal.wait_for("not on disk): the journal")
            then = counter.answered
            terminal.wait_until(lambda _: counter.answered > then + 20)
            place.end(terminal.child.pid)
            terminal.wait_until(lambda rows: not any("not being journaled" in r for r in rows))
            terminal.type(b"q")
            code = terminal.end()
        kept = kept_in(place.path)

        unused = left_out(place.path)

    assert code == 0
    assert counter.answered - len(kept) <= 1 + unused


def test_a_journal_deleted_while_watching_is_begun_again_with_the_whole_run(home):
    """After `rm` during a run a sentence is written, and the new file has every reading."""
    path = home / "place" / "journal.db"
    path.parent.mkdir()
    with tiny_counter(GATE_S) as counter, Watching(counter.resource, journal=path) as watch:
        watch.wait_for_more(20)
        shutil.rmtree(path.parent)
        path.parent.mkdir()
        watch.wait_for_narration("it was moved or deleted, and is begun anew")
        watch.wait_for_more(20)
        code = watch.end()

    assert code == 130, watch.narration
    assert kept_in(path) == shown_by(watch)


def test_readings_for_a_journal_locked_to_the_end_are_left_in_a_file_beside_it(home):
    """If the journal is locked to the end: exit 5, and the sentence names that file."""
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
    """After SIGKILL each reading of the counter is in the journal once, but for the last one."""
    path = home / "journal.db"
    with tiny_counter(GATE_S) as counter:
        with on_screen(home, counter, "--journal", str(path)) as terminal:
            terminal.wait_for("q quit")
            terminal.wait_until(lambda _: counter.answered > 100)
            terminal.child.kill()
            terminal.child.wait()
        given = counter.answered

    assert given - len(kept_in(path)) <= 1 + left_out(path)
    assert read_runs(path)[0].ended_utc_s is None


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_to_the_real_watch_leaves_terminal_and_counter_as_they_were(home, number):
    """`stty -a` prints the same as before, the alternate screen is left, nothing was set."""
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
    """The journal has each reading of the counter, at 10 and at 100 a second."""
    path = home / "journal.db"
    options = ("--journal", str(path), "--count", str(readings))
    with tiny_counter(1 / rate) as counter, on_screen(home, counter, *options) as terminal:
        stopwatch = Stopwatch(terminal.child.pid)
        code = terminal.end()
        lasted_s = stopwatch.elapsed_s

    assert code == 0
    assert len(kept_in(path)) == readings
    assert counter.answered - readings <= 1 + left_out(path)
    assert lasted_s < readings / rate + 15
