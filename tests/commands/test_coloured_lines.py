"""Lines in colour: only for people, and only where the environment or the terminal asks."""

import os
from pathlib import Path

import pytest
from program_kit import COMMAND, run_program
from terminal_kit import Terminal

RECORDED = """time_s,frequency_hz
1,10000000.02
2,10000000.02
3,10000000.02
4,10000000.02
"""
UNSET = {"FORCE_COLOR": "", "NO_COLOR": ""}
"""Empty variables count as not set."""
MARK = "\x1b[1;38;5;"


@pytest.fixture
def recorded(tmp_path: Path) -> str:
    """Write a recording, and return its path."""
    path = tmp_path / "run.csv"
    path.write_text(RECORDED, encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(
    ("environ", "options", "coloured"),
    [
        ({}, (), False),
        ({"TERM": "xterm-256color", "COLORTERM": "truecolor"}, (), False),
        ({"FORCE_COLOR": "1"}, (), True),
        ({"FORCE_COLOR": "0"}, (), True),
        ({"FORCE_COLOR": ""}, (), False),
        ({"FORCE_COLOR": "1", "NO_COLOR": "1"}, (), True),
        ({"FORCE_COLOR": "1"}, ("--json",), False),
    ],
)
def test_a_pipe_gets_colours_by_force_only(recorded, environ, options, coloured):
    """FORCE_COLOR with any text but an empty one (force-color.org); JSON never gets a colour."""
    done = run_program("replay", recorded, "--tolerance", "1ppb", *options, **UNSET | environ)

    assert (done.returncode, MARK in done.stdout) == (0, coloured), done.stderr
    assert ("outside" in done.stdout) is ("--json" not in options)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
@pytest.mark.parametrize(
    ("environ", "coloured"),
    [
        (("TERM=xterm-256color",), True),
        (("TERM=xterm-256color", "NO_COLOR=1"), False),
        (("TERM=dumb",), False),
    ],
)
def test_a_terminal_gets_colours_unless_refused(recorded, tmp_path, environ, coloured):
    """A terminal with 256 colours; NO_COLOR (no-color.org) refuses them."""
    command = ["env", "-u", "COLORTERM", *environ, *COMMAND, "replay", recorded]
    terminal = Terminal([*command, "--tolerance", "1ppb", "--plain"], tmp_path)

    try:
        assert terminal.end() == 0
    finally:
        terminal.close()
    assert b"outside" in terminal.seen
    assert (MARK.encode() in terminal.seen) is coloured
    assert coloured or b"\x1b" not in terminal.seen
