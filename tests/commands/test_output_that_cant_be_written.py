"""Standard output and standard error that are full, or closed by their reader."""

import os
import subprocess
from pathlib import Path

import pytest
from program_kit import COMMAND

FULL = Path("/dev/full")
PRINTS = [
    "--help",
    "--version",
    "watch --help",
    "doctor",
    "drivers",
    "drivers show scpi",
    "elsewhere 2ppb --nominal 10MHz",
    "watch --sim quiet --no-journal --json --count 2",
    "watch --sim quiet --no-journal --plain --count 2",
    "simulate quiet",
]
needs_full = pytest.mark.skipif(not FULL.exists(), reason="needs a device that is always full")


def started(words: str, **streams) -> "subprocess.Popen[str]":
    """Start the command with these streams, with buffered or unbuffered output."""
    unbuffered = streams.pop("unbuffered", False)
    environ = {**os.environ, "PYTHONUNBUFFERED": "1" if unbuffered else ""}
    command = [*COMMAND, *words.split()]
    return subprocess.Popen(command, text=True, env=environ, **streams)


@needs_full
@pytest.mark.parametrize("words", PRINTS)
def test_full_standard_output_is_one_sentence(words):
    """Exit code 5, and the last line on standard error has a remedy."""
    with FULL.open("w", encoding="utf-8") as full:
        process = started(words, stdout=full, stderr=subprocess.PIPE)
        _, narration = process.communicate(timeout=100)

    assert process.returncode == 5
    assert narration.splitlines()[-1] == (
        "benchwatch: standard output can't be written: No space left on device. "
        "Send it elsewhere, or make room."
    )
    assert "Traceback" not in narration
    assert narration.count("can't be written") == 1


@needs_full
@pytest.mark.parametrize("words", ["--help", "elsewhere 2ppb --nominal 10MHz"])
def test_full_standard_output_is_the_same_without_buffering(words):
    """With unbuffered output the error is raised elsewhere, and the sentence is the same."""
    with FULL.open("w", encoding="utf-8") as full:
        process = started(words, stdout=full, stderr=subprocess.PIPE, unbuffered=True)
        _, narration = process.communicate(timeout=100)

    assert process.returncode == 5
    assert narration.startswith("benchwatch: standard output can't be written")
    assert narration.count("\n") == 1


@needs_full
@pytest.mark.parametrize(
    ("words", "code"),
    [("--help", 0), ("watch --sim quiet --no-journal --json --count 2", 0), ("nonsense", 2)],
)
def test_full_standard_error_changes_nothing(words, code):
    """Narration is lost; data and exit code are as usual."""
    with FULL.open("w", encoding="utf-8") as full:
        process = started(words, stdout=subprocess.PIPE, stderr=full)
        data, _ = process.communicate(timeout=100)

    assert process.returncode == code
    assert bool(data) is (code == 0)


@pytest.mark.parametrize("words", PRINTS)
def test_a_pipe_that_its_reader_closes_ends_it_quietly(words):
    """As in `| head -1`: exit code 0, and no message."""
    read_end, write_end = os.pipe()
    process = started(words, stdout=write_end, stderr=subprocess.PIPE)
    os.close(write_end)
    os.close(read_end)
    _, narration = process.communicate(timeout=100)

    assert process.returncode == 0
    assert "roken pipe" not in narration
    assert "Traceback" not in narration
