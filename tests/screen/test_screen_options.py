"""The screen's options on the command line, in a real terminal and without one."""

import os
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from program_kit import COMMAND
from terminal_kit import Terminal

from benchwatch.cli import run
from benchwatch.colours import DARK, LIGHT, Palette
from benchwatch.commands.common.screen_options import ScreenOptions, ViewChoice
from benchwatch.screen.views.view_list import VIEWS

pytestmark = pytest.mark.long

pty_only = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
WATCH = ("watch", "--sim", "quiet", "--no-journal", "--seed", "3")
STYLE = re.compile(rb"\x1b\[([\d;]*)m")
TITLE = re.compile(rb"\x1b\].*?(?:\x07|\x1b\\)", re.DOTALL)
"""A string command to the terminal; it may end with the bell character."""
BELL = b"\x07"


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[list[Terminal]]:
    """Return terminals that are closed afterwards."""
    terminals: list[Terminal] = []
    yield terminals
    for one in terminals:
        one.close()


def _start(opened: list[Terminal], tmp_path: Path, *arguments: str, **environment: str) -> Terminal:
    command = [*COMMAND, *arguments]
    if environment:
        settings = [f"{name}={value}" for name, value in environment.items()]
        command = ["env", *settings, *command]
    opened.append(Terminal(command, tmp_path))
    return opened[-1]


def test_every_view_has_its_name():
    """The names on the command line are those of the views, in the same order."""
    names = ViewChoice().choices

    assert [ScreenOptions(view=name).options().view for name in names] == [
        view.name for view in VIEWS.views
    ]


@pty_only
def test_ascii_and_view_are_as_asked(opened, tmp_path):
    """With --ascii only ASCII is written to the screen; --view is the first view."""
    terminal = _start(opened, tmp_path, *WATCH, "--ascii", "--view", "warm-up")
    terminal.wait_for("settled means")
    terminal.type(b"q")

    assert terminal.end() == 0
    assert terminal.seen.isascii()


@pty_only
def test_no_color_writes_no_colour(opened, tmp_path):
    """With NO_COLOR set no escape sequence chooses a colour (https://no-color.org)."""
    terminal = _start(opened, tmp_path, *WATCH, NO_COLOR="1")
    terminal.wait_for("q quit")
    terminal.type(b"q")

    assert terminal.end() == 0
    codes = {code for one in STYLE.findall(terminal.seen) for code in one.split(b";")}
    assert codes <= {b"", b"0", b"1", b"2", b"4", b"7", b"39", b"49"}


@pty_only
@pytest.mark.parametrize(
    ("options", "environment", "drawn"),
    [
        ([], {}, DARK),
        (["--theme", "light"], {}, LIGHT),
        (["--theme", "light"], {"NO_COLOR": "1"}, LIGHT),
        ([], {"NO_COLOR": "1", "FORCE_COLOR": "1"}, DARK),
    ],
)
def test_the_theme_is_drawn_as_asked(opened, tmp_path, options, environment, drawn):
    """Every background written is one of the theme's, on a terminal that has all colours."""
    environment = {"COLORTERM": "truecolor"} | environment
    terminal = _start(opened, tmp_path, *WATCH, *options, **environment)
    terminal.wait_for("q quit")
    terminal.type(b"?")
    terminal.wait_for("scroll")
    terminal.type(b"qq")

    assert terminal.end() == 0
    assert _background(drawn) in terminal.seen
    assert _background(LIGHT if drawn is DARK else DARK) not in terminal.seen


def _background(palette: Palette) -> bytes:
    """Return the parameters of SGR that choose a background (ECMA-48; ISO 8613-6 for the 2)."""
    red, green, blue = bytes.fromhex(palette.background.removeprefix("#"))
    return b"48;2;%d;%d;%d" % (red, green, blue)


@pty_only
def test_the_theme_of_the_terminal_writes_no_colour(opened, tmp_path):
    """With --theme terminal no escape sequence chooses a colour, not even with FORCE_COLOR."""
    terminal = _start(opened, tmp_path, *WATCH, "--theme", "terminal", FORCE_COLOR="1")
    terminal.wait_for("q quit")
    terminal.type(b"q")

    assert terminal.end() == 0
    codes = {code for one in STYLE.findall(terminal.seen) for code in one.split(b";")}
    assert codes <= {b"", b"0", b"1", b"2", b"4", b"7", b"39", b"49"}


@pty_only
def test_a_dumb_terminal_gets_lines_and_a_sentence(opened, tmp_path):
    """TERM=dumb: one sentence, then a line a reading, and no escape sequence."""
    terminal = _start(opened, tmp_path, *WATCH, "--count", "3", "--ascii", TERM="dumb")

    assert terminal.end() == 0
    assert b"this terminal can't show the screen (TERM=dumb)" in terminal.seen
    assert b"count reached" in terminal.seen
    assert b"\x1b" not in terminal.seen


BENCH = """
about = "an oscillator that has been warm for days"
settle = "50 ppb/1 s"

[reference]
landing = "0 ppb"
white_fm = "1e-12"

[oscillators.main]
nominal = "10 MHz"
landing = "3 ppb"
white_fm = "2e-12"

[counters.main]
oscillator = "main"
gate = "0.05 s"
resolution = "1e-12 s"
"""


@pytest.fixture
def warm(tmp_path: Path) -> list[str]:
    """Start a watch on a bench that settles within seconds, and wait for that."""
    bench = tmp_path / "warm.toml"
    bench.write_text(BENCH, encoding="utf-8")
    return ["watch", "--sim", str(bench), "--no-journal", "--seed", "5", "--until", "settled"]


@pty_only
@pytest.mark.parametrize(("options", "rings"), [([], True), (["--no-bell"], False)])
def test_it_leaves_by_itself_once_settled(opened, tmp_path, warm, options, rings):
    """Unattended: the bell unless it is off, a line, exit code 0."""
    terminal = _start(opened, tmp_path, *warm, *options)

    assert terminal.end() == 0
    assert terminal.seen.rstrip().endswith(b": settled.")
    assert (BELL in TITLE.sub(b"", terminal.seen)) is rings


@pty_only
def test_not_settled_in_time_is_an_exit_code(opened, tmp_path, warm):
    """When the time is up before it settled, the screen ends with 1 and a sentence."""
    limits = ["--settle", "0.001 ppb/1h", "--for", "5s"]
    terminal = _start(opened, tmp_path, *warm, *limits)

    assert terminal.end() == 1
    assert b"not settled within 5 s" in terminal.seen


@pytest.mark.parametrize("command", [WATCH, ("replay", "nothing.csv")], ids=["watch", "replay"])
@pytest.mark.parametrize(
    "option", [("--ascii",), ("--theme", "light"), ("--view", "notes"), ("--no-bell",)]
)
@pytest.mark.parametrize("lines", [(), ("--json",)], ids=["no terminal", "--json"])
def test_options_of_the_screen_are_refused_with_lines(command, option, lines, capsys):
    """With lines an option of the screen is a usage error that names it."""
    assert run([*command, *option, *lines]) == 2
    assert f"{option[0]} is for the screen: leave it out" in capsys.readouterr().err
