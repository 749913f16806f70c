"""The real command when its terminal is closed, is not read, or has no keyboard."""

import contextlib
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from counter_kit import TinyCounter, tiny_counter
from journal_kit import left_out, read_events, read_runs
from load_kit import LONGEST_WAIT_S, Stopwatch, wait_until
from program_kit import PROGRAM
from terminal_kit import Terminal

from benchwatch.reading import Reading
from benchwatch_simulators.bench.simulated_bench import open_bench

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals"),
]

GATE_S = 0.05
SLOW_GATE_S, SLOW_READINGS = 0.25, 8
OF_ITS_OWN = f"import fcntl, termios; fcntl.ioctl(1, termios.TIOCSCTTY, 0); {PROGRAM}"
"""The program on its controlling terminal, as a shell would start it."""


@contextlib.contextmanager
def watching(
    home: Path,
    resource: str,
    *options: str,
    program: str = PROGRAM,
    stdin: int | None = None,
) -> Iterator[Terminal]:
    """Watch a counter on a terminal."""
    command = [sys.executable, "-c", program, "watch", resource, "--nominal", "10MHz"]
    terminal = Terminal([*command, *options], home, stdin=stdin)
    try:
        yield terminal
    finally:
        terminal.close()


def ended(child: "subprocess.Popen[bytes]") -> tuple[int, float, float]:
    """Wait for the end; return exit code, seconds until then, and seconds of computing."""
    stopwatch, before_s = Stopwatch(child.pid), computed_s(child)
    used_s = lasted_s = 0.0
    while child.poll() is None:
        with contextlib.suppress(psutil.Error):
            used_s = computed_s(child) - before_s
        lasted_s = stopwatch.elapsed_s
        assert stopwatch.total_s < LONGEST_WAIT_S, f"it goes on, {used_s:.1f} s computed"
        time.sleep(0.02)
    return child.returncode, lasted_s, used_s


def computed_s(child: "subprocess.Popen[bytes]") -> float:
    """Return the processor seconds of a process."""
    times = psutil.Process(child.pid).cpu_times()
    return times.user + times.system


def share_while_slow(terminal: Terminal, counter: TinyCounter) -> float:
    """Return the share of a core that is used while readings come slowly.

    It is nearly nothing, however busy the machine is, unless something spins.
    """
    counter.gate_s = SLOW_GATE_S
    then = counter.answered
    assert wait_until(lambda: counter.answered > then)
    began_s, before_s = time.monotonic(), computed_s(terminal.child)
    assert wait_until(lambda: counter.answered > then + SLOW_READINGS)
    share = (computed_s(terminal.child) - before_s) / (time.monotonic() - began_s)
    counter.gate_s = GATE_S
    return share


def log_of(home: Path) -> str:
    """Return the screen's log."""
    return (home / "benchwatch" / "screen.log").read_text(encoding="utf-8")


def readings_in(journal: Path) -> int:
    """Return the number of readings of the only run, which must have an end.

    Those that its gaps leave out because the computer was busy count.
    """
    (run,) = read_runs(journal)
    assert run.ended_utc_s is not None
    there = sum(isinstance(event, Reading) for event in read_events(journal, run))
    return there + left_out(journal)


# ------------------------------------------------------------- the terminal is closed


@pytest.mark.parametrize("program", [PROGRAM, OF_ITS_OWN], ids=["no signal", "hang-up"])
def test_a_closed_terminal_ends_the_watch_in_order(tmp_path, program):
    """With and without SIGHUP: exit 130 within 2 s, journal closed, logged, nothing spins."""
    journal = tmp_path / "journal.db"
    options = ("--journal", str(journal))
    with (
        tiny_counter(GATE_S) as counter,
        watching(tmp_path, counter.resource, *options, program=program) as terminal,
    ):
        terminal.wait_for("q quit")
        terminal.wait_until(lambda _: counter.answered > 8)
        terminal.vanish()
        code, lasted_s, used_s = ended(terminal.child)
        given = counter.answered

    assert code == 130
    assert lasted_s < 2
    assert used_s < 1
    assert given - readings_in(journal) <= 1
    assert log_of(tmp_path) == "benchwatch: the terminal is gone; the watch ends.\n"


def test_the_panel_returns_to_local_when_the_terminal_is_closed(tmp_path):
    """A gate was set, so the counter was remote: it is set local, and its link closed."""
    with open_bench("quiet", seed=5) as bench:
        options = ("--gate", "1s", "--no-journal")
        with watching(tmp_path, bench.resources["main"], *options) as terminal:
            terminal.wait_for("q quit")
            terminal.wait_until(lambda _: bench.received("main").count("READ?") >= 2)
            remote = bench.is_remote("main")
            terminal.vanish()
            code, lasted_s, _ = ended(terminal.child)
        local = wait_until(lambda: not bench.is_remote("main"))

    assert (remote, code, local) == (True, 130, True)
    assert lasted_s < 2


def test_a_picture_without_keyboard_ends_with_its_terminal(tmp_path):
    """With standard input elsewhere the closed terminal is noticed when drawing."""
    with (
        tiny_counter(GATE_S) as counter,
        watching(tmp_path, counter.resource, "--no-journal", stdin=subprocess.DEVNULL) as terminal,
    ):
        terminal.wait_for("q quit")
        share = share_while_slow(terminal, counter)
        terminal.vanish()
        code, lasted_s, _ = ended(terminal.child)

    assert share < 0.6
    assert code == 130
    assert lasted_s < 2


def test_lines_end_with_their_terminal(tmp_path):
    """With --plain the end is that of any output that can't be written: exit code 5."""
    with (
        tiny_counter(GATE_S) as counter,
        watching(tmp_path, counter.resource, "--no-journal", "--plain") as terminal,
    ):
        terminal.wait_for("Hz")
        terminal.vanish()
        code, lasted_s, _ = ended(terminal.child)

    assert code == 5
    assert lasted_s < 2


def test_pages_outlive_the_terminal_and_end_at_a_signal(tmp_path):
    """With --web the page is the screen: the watch continues, and SIGTERM ends it."""
    pytest.importorskip("textual_serve", reason="the page is an extra")
    with (
        tiny_counter(GATE_S) as counter,
        watching(tmp_path, counter.resource, "--no-journal", "--web-port", "0") as terminal,
    ):
        terminal.wait_for("http://")
        terminal.wait_until(lambda _: counter.answered > 5)  # the whole address is written
        terminal.vanish()
        share = share_while_slow(terminal, counter)
        terminal.child.terminate()
        code, lasted_s, _ = ended(terminal.child)

    assert share < 0.5
    assert code == 130
    assert lasted_s < 5


def test_pages_do_without_a_terminal_for_their_address(tmp_path):
    """If it is closed before the address is written, readings are kept, and SIGTERM ends it."""
    pytest.importorskip("textual_serve", reason="the page is an extra")
    with (
        tiny_counter(GATE_S) as counter,
        watching(tmp_path, counter.resource, "--no-journal", "--web-port", "0") as terminal,
    ):
        terminal.vanish()
        went_on = wait_until(lambda: counter.answered > 8)
        terminal.child.terminate()
        code, lasted_s, _ = ended(terminal.child)

    assert went_on
    assert code == 130
    assert lasted_s < 8


# ------------------------------------------------------------- signals while the screen is blocked


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_ends_a_watch_whose_terminal_takes_nothing(tmp_path, number):
    """Drawing blocks, so the screen can't end normally: watch and journal still close."""
    journal = tmp_path / "journal.db"
    options = ("--journal", str(journal))
    with (
        tiny_counter(GATE_S) as counter,
        watching(tmp_path, counter.resource, *options) as terminal,
    ):
        terminal.wait_for("q quit")
        wait_until_held_up(terminal)
        share = share_while_slow(terminal, counter)
        terminal.child.send_signal(number)
        code, lasted_s, _ = ended(terminal.child)
        given = counter.answered
        modes = terminal.modes()

    assert code == 130
    assert lasted_s < 6
    assert share < 0.5
    assert modes == terminal.before
    assert given - readings_in(journal) <= 1
    assert "no orderly end within 3 s" in log_of(tmp_path)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_before_there_is_a_screen_ends_the_watch_in_order(tmp_path, number):
    """The counter is queried while the screen's modules load: exit 130, and the run has its end."""
    journal = tmp_path / "journal.db"
    with (
        tiny_counter(GATE_S) as counter,
        watching(tmp_path, counter.resource, "--journal", str(journal)) as terminal,
    ):
        assert wait_until(lambda: counter.answered > 0)
        terminal.child.send_signal(number)
        code, _, _ = ended(terminal.child)

    assert code == 130
    (run,) = read_runs(journal)
    assert run.end_reason == "interrupted"


def wait_until_held_up(terminal: Terminal) -> None:
    """Wait until drawing blocks, because the terminal is not read."""
    quiet, before = 0, -1
    while quiet < 15:
        time.sleep(0.05)
        now = terminal.waiting()
        quiet, before = (quiet + 1 if now == before else 0), now


def test_a_signal_ends_lines_whose_reader_is_stopped(tmp_path):
    """A stopped reader, such as a pager, blocks the lines: one SIGTERM ends it."""
    journal = tmp_path / "journal.db"
    options = ("--plain", "--journal", str(journal))
    with tiny_counter() as counter, watching(tmp_path, counter.resource, *options) as terminal:
        terminal.wait_for("Hz")
        wait_until_held_up(terminal)
        terminal.child.terminate()
        code, lasted_s, _ = ended(terminal.child)

    assert code == 130
    assert lasted_s < 6
    assert readings_in(journal) > 0


def test_a_signal_while_the_screen_comes_up_ends_it(tmp_path):
    """SIGTERM at the first byte of the picture."""
    with (
        tiny_counter(GATE_S) as counter,
        watching(tmp_path, counter.resource, "--no-journal") as terminal,
    ):
        while not terminal.seen:
            assert terminal.read(LONGEST_WAIT_S)
        terminal.child.terminate()
        code = terminal.end()
        modes = terminal.modes()

    assert code in {130, -signal.SIGTERM}
    assert modes == terminal.before


# ------------------------------------------------------------- the keyboard


def test_keys_come_from_the_terminal_when_input_is_a_file(tmp_path):
    """As in `while read NAME; do benchwatch ...; done < names`: q works, the file is not read."""
    names = tmp_path / "names"
    names.write_text("qqqq\n", encoding="utf-8")
    with (
        names.open("rb") as file,
        tiny_counter(GATE_S) as counter,
        watching(
            tmp_path, counter.resource, "--no-journal", program=OF_ITS_OWN, stdin=file.fileno()
        ) as terminal,
    ):
        terminal.wait_for("q quit")
        terminal.wait_until(lambda _: counter.answered > 8)
        terminal.type(b"q")
        code = terminal.end()
        modes = terminal.modes()

    assert code == 0
    assert modes == terminal.before


def test_the_screen_does_without_standard_input(tmp_path):
    """`<&-` and no terminal for the keys: it is drawn, nothing spins, a signal ends it."""
    closing = f"import os, sys; os.close(0); os.execv(sys.executable, [sys.executable, '-c', {PROGRAM!r}, *sys.argv[1:]])"  # noqa: E501 - a program
    with (
        tiny_counter(GATE_S) as counter,
        watching(tmp_path, counter.resource, "--no-journal", program=closing) as terminal,
    ):
        terminal.wait_for("q quit")
        share = share_while_slow(terminal, counter)
        terminal.child.terminate()
        code = terminal.end()

    assert share < 0.6
    assert code == 130


def test_a_byte_that_is_no_text_is_no_crash(tmp_path):
    """A lone 0xFF from the keyboard, then a letter cut in two, then q: exit code 0."""
    with (
        tiny_counter(GATE_S) as counter,
        watching(tmp_path, counter.resource, "--no-journal") as terminal,
    ):
        terminal.wait_for("q quit")
        terminal.type(b"\xff\xc3")
        then = counter.answered
        terminal.wait_until(lambda _: counter.answered > then + 8)
        terminal.type(b"\xa4q")
        code = terminal.end()

    assert code == 0
    assert not re.search(rb"the screen stopped", terminal.seen)
