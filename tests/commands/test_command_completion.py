"""Completion of words in bash, zsh and fish: which words, how soon, and never a message."""

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import doc_tables_program
import pytest
from click.shell_completion import get_completion_class
from pipeline_kit import RUN, reading
from program_kit import run_program
from register_kit import made_register
from terminal_kit import Terminal

from benchwatch import cli
from benchwatch.commands.common.command_outline import OUTLINES
from benchwatch.journal import Journal, default_path
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import register_path

pytestmark = pytest.mark.long

VARIABLE = cli.COMPLETION_VARIABLE
SHELLS = ("bash", "zsh", "fish")
BENCH = """
[counters.ten]
resource = "TCPIP0::192.168.1.20::5025::SOCKET"
nominal = "10MHz"

[counters.five]
resource = "TCPIP0::192.168.1.21::5025::SOCKET"
nominal = "5MHz"
"""
ZSH = """
autoload -U compinit
compinit -u -d "$1"
eval "$(benchwatch completion zsh)"
compadd() { print -l -- "${(@P)@[-1]}" }
_describe() { print -l -- "${(@P)3}" }
_path_files() { print files }
shift
words=("$@")
CURRENT=$#
_benchwatch_completion
"""
"""Asks zsh's own function for the last of the words; its builtins print instead of completing."""
BASH = """
eval "$(benchwatch completion bash)"
COMP_WORDS=("$@")
COMP_CWORD=$(($# - 1))
complete -p benchwatch >/dev/null || exit 9
compopt() { echo "compopt $*"; }
_benchwatch_completion benchwatch "${COMP_WORDS[COMP_CWORD]}" ""
printf '%s\\n' "${COMPREPLY[@]}"
"""
FISH = """
benchwatch completion fish | source
complete -C (string join ' ' -- $argv)
"""
IMPORTED = """
import sys
from benchwatch.cli import run

try:
    run([])
finally:
    commands = {"benchwatch.commands.watch", "benchwatch.commands.budget"}
    print("imported:", *sorted(({"numpy", "textual", "pyvisa"} | commands) & set(sys.modules)))
"""


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Set folders of the test's own, and put the program into the path."""
    folder = tmp_path / "bin"
    folder.mkdir()
    program = folder / "benchwatch"
    program.write_text(f'#!/bin/sh\nexec {sys.executable} -m benchwatch.cli "$@"\n', "utf-8")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
    for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "XDG_STATE_HOME"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    (tmp_path / "home").mkdir()
    return tmp_path / "home"


def written(path: Path, runs: int) -> Path:
    """Write a journal of so many runs."""
    journal = Journal(path)
    for number in range(1, runs + 1):
        run = replace(RUN, key=number << 50, watch=number, counter=f"unit{number}")
        journal.save_run(run)
        journal.write(run.key, reading(1))
    journal.close()
    return path


def words(shell: str, *typed: str) -> list[str]:
    """Return the words that click's class for `shell` completes the last of `typed` to."""
    of_shell = get_completion_class(shell)
    assert of_shell is not None
    completion = of_shell(cli.cli, {}, "benchwatch", VARIABLE)
    return [item.value for item in completion.get_completions(list(typed[:-1]), typed[-1])]


@pytest.fixture(params=[False, True], ids=["modules", "outlines"])
def outlined(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> bool:
    """Complete from the commands themselves, and from their outlines as a shell does."""
    if request.param:
        monkeypatch.setenv(VARIABLE, "bash_complete")
    return bool(request.param)


@pytest.mark.usefixtures("outlined")
@pytest.mark.parametrize("shell", SHELLS)
@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        (["comp"], ["compare", "completion"]),
        (["journal", "r"], ["repair", "runs"]),
        (["journal", "runs", "--l"], ["--last"]),
        (["budget", "--ru"], ["--run"]),
        (["budget", "--run", ""], ["3", "2", "1"]),
        (["compare", "--run", "1", "--run", "2"], ["2"]),
        (["replay", "--run", ""], ["3", "2", "1"]),
        (["budget", "--column", "fr"], ["frequency_hz"]),
        (["watch", "--driver", "sc"], ["scpi", "scpi-arm-timer"]),
        (["drivers", "show", "sc"], ["scpi", "scpi-arm-timer"]),
        (["watch", "--sim", "sta"], ["station"]),
        (["simulate", "pa"], ["pair"]),
        (["watch", "--view", "warm"], ["warm-up"]),
        (["watch", "--bench", "{bench}", ""], ["ten", "five"]),
        (["watch", "--bench", "{bench}", "ten", ""], ["five"]),
        (["watch", "--bench", "{bench}", "--proof", "ten,"], ["ten,five"]),
        (["watch", "--sim", "pair", "--proof", ""], ["ten", "five"]),
        (["budget", "--journal", "{other}", "--run", ""], ["1"]),
        (["budget", "{other}", "--run", ""], ["1"]),
        (["completion", "f"], ["fish"]),
    ],
    ids=" ".join,
)
def test_words_are_completed(
    tmp_path: Path, shell: str, typed: list[str], expected: list[str]
) -> None:
    """Commands, options, choices, runs, drivers, simulated benches and counters of a bench."""
    written(default_path(), 3)
    names = {"bench": str(tmp_path / "bench.toml"), "other": str(tmp_path / "other.db")}
    written(Path(names["other"]), 1)
    Path(names["bench"]).write_text(BENCH, encoding="utf-8")

    assert words(shell, *(word.format(**names) for word in typed))[: len(expected)] == expected


@pytest.mark.usefixtures("outlined")
@pytest.mark.parametrize("shell", SHELLS)
@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        (["watch", "--unit", "04"], {"0417", "0418", "0419"}),
        (["units", "show", "0418"], {"0418"}),
        (["budget", "--visit", ""], {"1", "2", "3", "4", "5", "6"}),
        (["visits", "show", "5"], {"5"}),
        (["report", ""], {"verify", "1", "2", "3", "4", "5", "6"}),
        (["report", "5", "--lab"], {"--lab"}),
        (["report", "--page", "c"], {"customer"}),
        (["report", "verify", "--pub"], {"--public-key"}),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_units_and_visits_are_completed(shell: str, typed: list[str], expected: set[str]) -> None:
    """Idents of units, and numbers of visits, from the register beside the journal."""
    register = made_register(register_path(default_path()), units=3, visits=2)
    units = [
        Draft(kind="unit", unit=ident, document={"nominal_hz": "10000000"}, at_utc_s=1.9e9)
        for ident in ("0417", "0418", "0419")
    ]
    register.add(units)

    assert set(words(shell, *typed)) == expected


@pytest.mark.usefixtures("outlined")
@pytest.mark.parametrize(
    "typed", [["budget", ""], ["compare", "a", ""], ["watch", ""], ["bench", "check", ""]]
)
def test_names_of_files_are_left_to_the_shell(typed: list[str]) -> None:
    """Where a file is expected the shell completes its names itself."""
    of_shell = get_completion_class("bash")
    assert of_shell is not None
    completion = of_shell(cli.cli, {}, "benchwatch", VARIABLE)
    (item,) = completion.get_completions(typed[:-1], typed[-1])

    assert item.type == "file"


def spoilt(path: Path, how: str) -> None:
    """Spoil the journal at `path` so that it can't be read."""
    if how == "missing":
        return
    if how == "no database":
        path.write_bytes(b"no database at all" * 500)
        return
    if how == "a folder":
        path.mkdir()
        return
    written(path, 3)
    if how == "cells":
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("UPDATE runs SET started_utc_s = 'soon'")
    elif how == "newer":
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("PRAGMA user_version = 99")
    else:
        content = path.read_bytes()
        path.write_bytes(content[:4096] + b"\xa5" * (len(content) - 4096))


@pytest.mark.parametrize(
    "how", ["missing", "no database", "a folder", "cells", "newer", "damaged pages"]
)
def test_a_journal_that_can_not_be_read_gives_no_words_and_no_message(how: str) -> None:
    """Nothing is written to the terminal while somebody types, whatever the journal is."""
    spoilt(default_path(), how)
    done = run_program(
        **{VARIABLE: "bash_complete", "COMP_WORDS": "benchwatch budget --run ", "COMP_CWORD": "3"}
    )

    assert (done.stdout.strip(), done.stderr) == ("", "")


@pytest.mark.parametrize(
    "typed", ["watch --unit ", "units show ", "budget --visit ", "visits show "]
)
@pytest.mark.parametrize("how", ["missing", "no database", "a folder", "newer", "damaged pages"])
def test_a_register_that_can_not_be_read_gives_no_words_and_no_message(
    typed: str, how: str
) -> None:
    """The same holds for units and visits."""
    path = register_path(default_path())
    if how in {"newer", "damaged pages"}:
        made_register(path, 30)
    if how == "newer":
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("PRAGMA user_version = 99")
    elif how == "damaged pages":
        content = path.read_bytes()
        path.write_bytes(content[:4096] + b"\xa5" * (len(content) - 4096))
    else:
        spoilt(path, how)
    line = f"benchwatch {typed}"
    done = run_program(
        **{VARIABLE: "bash_complete", "COMP_WORDS": line, "COMP_CWORD": str(line.count(" "))}
    )

    assert (done.stdout.strip(), done.stderr) == ("", "")


@pytest.mark.parametrize(
    "text", ["", "[counters", "counters = 3", "[counters]\n", '[counters."a\\nb"]', "\x00\xff"]
)
def test_a_bench_file_that_can_not_be_read_gives_no_words(tmp_path: Path, text: str) -> None:
    """Half a bench file, as while it is written, is no error; names of files are completed."""
    bench = tmp_path / "bench.toml"
    bench.write_text(text, encoding="latin-1")
    typed = f"benchwatch watch --bench {bench} "
    done = run_program(**{VARIABLE: "bash_complete", "COMP_WORDS": typed, "COMP_CWORD": "4"})

    assert (done.stdout, done.stderr) == ("file,\n", "")


def test_the_outlines_are_those_of_the_commands() -> None:
    """They are as ``python tests/kits/doc_tables_program.py`` writes them."""
    assert OUTLINES.read_text(encoding="utf-8") == doc_tables_program.outlines_text()


@pytest.mark.parametrize("typed", ["benchwatch budget --", "benchwatch watch --"])
def test_nothing_heavy_is_imported_for_a_word(typed: str) -> None:
    """A word comes soon because neither the command nor what it computes with is imported."""
    done = subprocess.run(
        [sys.executable, "-c", IMPORTED],
        env=os.environ | {VARIABLE: "bash_complete", "COMP_WORDS": typed, "COMP_CWORD": "2"},
        capture_output=True,
        text=True,
        check=False,
    )

    assert "plain,--journal" in done.stdout
    assert done.stdout.splitlines()[-1] == "imported:"
    assert done.stderr == ""


def of_shell(shell: str, *typed: str) -> list[str]:
    """Return what a real shell completes the last of `typed` to, by the script for it."""
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"{shell} is not installed")
    code = {"bash": BASH, "zsh": ZSH, "fish": FISH}[shell]
    command = {
        "bash": [program, "--norc", "--noprofile", "-c", code, "bash"],
        "zsh": [program, "-f", "-c", code, "zsh", str(Path(os.environ["HOME"]) / "zcompdump")],
        "fish": [program, "--no-config", "-c", code],
    }[shell]
    done = subprocess.run(
        [*command, *typed], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.stderr == ""
    return done.stdout.splitlines()


@pytest.mark.parametrize("shell", SHELLS)
@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        (["comp"], ["compare", "completion"]),
        (["budget", "--run", ""], ["3", "2", "1"]),
        (["watch", "--sim", "sta"], ["station"]),
        (["drivers", "show", "scpi-arm"], ["scpi-arm-timer"]),
    ],
    ids=" ".join,
)
def test_a_real_shell_completes_words(shell: str, typed: list[str], expected: list[str]) -> None:
    """The printed script works in the shell that it is for, with words that the program finds."""
    written(default_path(), 3)
    found = of_shell(shell, "benchwatch", *typed)
    values = [line.split("\t")[0].split(":")[0] for line in found]

    assert sorted(values) == sorted(expected)


@pytest.fixture
def terminal(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Terminal]:
    """Start an interactive shell on a terminal, with the completion installed in it."""
    shell = request.param
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"{shell} is not installed")
    options = {"bash": ["--norc", "--noprofile", "-i"], "zsh": ["-f", "-i"]}[shell]
    begin = {"bash": "", "zsh": f"autoload -U compinit; compinit -u -d {tmp_path}/dump; "}[shell]
    running = Terminal([program, *options], tmp_path / "home", width=100)
    running.type(f'{begin}eval "$(benchwatch completion {shell})"; clear; echo r""eady\n'.encode())
    running.wait_for("ready")
    yield running
    running.close()


@pytest.mark.parametrize("terminal", ["bash", "zsh"], indirect=True)
def test_the_tab_key_completes_a_run(terminal: Terminal) -> None:
    """Pressed on a terminal, Tab writes the rest of the command and the number of the only run."""
    written(default_path(), 1)
    terminal.type(b"benchwatch budg\t")
    terminal.wait_for("budget")
    terminal.type(b"--run \t")

    assert terminal.wait_for("--run 1")
