"""The program with what Windows lacks taken away; nobody has run it on Windows itself.

What the made system is, and what it is not, is said in `made_windows_program`.
"""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest
from forks_kit import Ended, run_each
from load_kit import LONGEST_WAIT_S
from terminal_kit import Terminal

PROGRAM = Path(__file__).parents[1] / "kits" / "made_windows_program.py"
pytestmark = pytest.mark.long
ROWS = "".join(f"{at},{10_000_000 + (at * 7 % 5 - 2) / 1000:.4f}\n" for at in range(60))


def run(words: Sequence[str], home: Path, typed: str = "") -> "subprocess.CompletedProcess[str]":
    """Run a command on the made system to its end."""
    return subprocess.run(
        [sys.executable, str(PROGRAM), *words],
        capture_output=True,
        encoding="cp1252",
        input=typed,
        timeout=4 * LONGEST_WAIT_S,
        env=os.environ | {"HOME": str(home), "PYTHONIOENCODING": "cp1252"},
    )


def test_each_module_can_be_imported(tmp_path: Path) -> None:
    """No module but the driver of POSIX terminals needs a module that Windows lacks."""
    done = run(["--import-all"], tmp_path)

    assert done.returncode == 0, done.stderr


COMMANDS = (
    ("stability", "FILE", "--nominal", "10MHz"), ("budget", "FILE", "--nominal", "10MHz"),
    ("replay", "FILE", "--json", "--nominal", "10MHz"), ("doctor",), ("units",), ("visits",),
    ("drivers",), ("--version",),
)  # fmt: skip


@pytest.fixture(scope="module")
def ended(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ended]:
    """Run the commands on the made system; return what each left, by its first word."""
    folder = tmp_path_factory.mktemp("made_windows")
    file = folder / "run.csv"
    file.write_text(f"time_s,frequency_hz\n{ROWS}")
    commands = [[str(file) if word == "FILE" else word for word in words] for words in COMMANDS]
    found = run_each(
        commands, folder, sys.executable, str(PROGRAM), "--each", PYTHONIOENCODING="cp1252"
    )
    return {words[0]: one for words, one in zip(COMMANDS, found, strict=True)}


@pytest.mark.parametrize("name", [words[0] for words in COMMANDS])
def test_commands_end_in_order(ended: dict[str, Ended], name: str) -> None:
    """A command gives its data or a sentence, and no traceback."""
    done = ended[name]

    said = done.stderr.decode("cp1252")
    assert done.stdout or said
    assert done.returncode in ({0, 1} if name == "doctor" else {0}), said
    assert "Traceback" not in said


def test_a_counter_on_standard_input_is_read_to_its_end(tmp_path: Path) -> None:
    """Readings come through a pipe that can't be waited for, and all are in the journal."""
    lines = "".join(f"{10_000_000 + at / 1000:.4f}\n" for at in range(20))

    done = run(["watch", "-", "--json", "--nominal", "10MHz"], tmp_path, typed=lines)
    kept = run(["journal", "runs", "--json"], tmp_path)

    readings = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, done.stderr
    assert sum(line["kind"] == "reading" for line in readings) == 20
    (first, *_) = [json.loads(line) for line in kept.stdout.splitlines()]
    assert first["readings"] == 20, kept


def test_a_file_that_grows_is_read(tmp_path: Path) -> None:
    """A file that another program writes is opened so that it may be renamed, and is followed."""
    log = tmp_path / "counter.log"
    log.write_text("")
    words = ["watch", str(log), "--json", "--count", "5", "--nominal", "10MHz", "--no-journal"]
    with subprocess.Popen(
        [sys.executable, str(PROGRAM), *words],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"HOME": str(tmp_path)},
    ) as child:
        while child.poll() is None:
            with log.open("a") as writer:
                writer.write("10000000.0010\n")
            time.sleep(0.05)
        assert child.stdout is not None
        lines = child.stdout.readlines()

    assert child.returncode == 0
    assert sum('"kind":"reading"' in line for line in lines) == 5


def test_a_simulated_bench_is_watched_over_sockets(tmp_path: Path) -> None:
    """Sockets are waited for without `poll`, and the moments of all readings go forward."""
    done = run(["watch", "--sim", "--json", "--count", "5"], tmp_path)

    lines = [json.loads(line) for line in done.stdout.splitlines()]
    elapsed = [line["elapsed_s"] for line in lines if line["kind"] == "reading"]
    assert done.returncode == 0, done.stderr
    assert len(elapsed) >= 5


@pytest.mark.parametrize(
    "words",
    [["watch", "--sim", "--json"], ["watch", "--sim", "--web", "--web-port", "0"], ["simulate"]],
    ids=["lines", "page", "simulate"],
)
def test_an_interrupt_ends_in_order(words: list[str], tmp_path: Path) -> None:
    """Ctrl-C ends with exit code 130, although the event loop there is told of signals too."""
    with subprocess.Popen(
        [sys.executable, str(PROGRAM), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"HOME": str(tmp_path)},
    ) as child:
        assert child.stdout is not None
        child.stdout.readline()
        child.send_signal(signal.SIGINT)
        try:
            _, narration = child.communicate(timeout=LONGEST_WAIT_S)
        finally:
            child.kill()

    assert child.returncode == 130, narration
    assert "no orderly end" not in narration
    assert "Traceback" not in narration


def test_the_screen_draws_on_standard_output(tmp_path: Path) -> None:
    """The library draws on Python's own stream there, keys work, and quitting ends with 0."""
    words = ["watch", "--sim", "--no-journal"]
    terminal = Terminal([sys.executable, str(PROGRAM), *words], tmp_path)
    try:
        terminal.wait_for("q quit", 2 * LONGEST_WAIT_S)
        terminal.type(b"q")

        assert terminal.end() == 0
    finally:
        terminal.close()
