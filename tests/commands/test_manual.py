"""The manual page: it has every command and option, and man finds no fault with it."""

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import click
import doc_tables_program
import pytest
from program_kit import COMMAND

from benchwatch.cli import cli, run
from benchwatch.commands import manual as manual_command
from benchwatch.commands.common.manual_page import EXIT_CODES, FILES, manual_page
from benchwatch.configuration import configuration_path
from benchwatch.driver_registry import own_profiles
from benchwatch.journal import default_path
from benchwatch.register import register_path
from benchwatch.report.laboratory.laboratory import usual_laboratory_file
from benchwatch.screen.display_options import log_path

PAGE = doc_tables_program.MANUAL.read_text(encoding="ascii")
GROFF, MANDOC = shutil.which("groff"), shutil.which("mandoc")


def _commands(command: click.Command, words: str) -> Iterator[tuple[str, click.Command]]:
    if isinstance(command, click.Group):
        with click.Context(command) as context:
            for name in command.list_commands(context):
                part = command.get_command(context, name)
                assert part is not None
                yield from _commands(part, f"{words} {name}")
    if not isinstance(command, click.Group) or command.invoke_without_command:
        yield words, command


def _rendered(page: str) -> str:
    """Return what a terminal shows of a page, without its styles."""
    assert GROFF is not None
    shown = subprocess.run(
        [GROFF, "-man", "-ww", "-Tutf8", "-P-cbou", "-rLL=200n"],
        input=page,
        capture_output=True,
        text=True,
        env={**os.environ, "LC_ALL": "C.UTF-8"},
    )
    assert (shown.returncode, shown.stderr) == (0, "")
    return shown.stdout


def test_the_installed_page_is_that_of_the_commands():
    """It is as ``python tests/kits/doc_tables_program.py`` writes it, and in ASCII."""
    assert manual_page(cli) == PAGE


def test_no_summary_of_a_command_breaks_off():
    """The help of a group, 80 columns wide, has a whole sentence for each of its commands."""
    helps = [
        group.get_help(click.Context(group, info_name=group.name, terminal_width=80))
        for group in (cli, *_groups(cli))
    ]

    assert len(helps) > 5
    for text in helps:
        summaries = text.partition("Commands:")[2]
        assert "..." not in summaries, summaries


def _groups(command: click.Group) -> Iterator[click.Group]:
    with click.Context(command) as context:
        for name in command.list_commands(context):
            part = command.get_command(context, name)
            if isinstance(part, click.Group):
                yield part
                yield from _groups(part)


def test_it_has_every_command_with_every_option():
    """Each command has a section that names all of its options, in the escapes of the language."""
    sections = dict(
        re.findall(r'^\.SS "([^"\n]*)"\n(.*?)(?=^\.S[SH])', PAGE, re.DOTALL | re.MULTILINE)
    )
    by_words = {name.replace("\\-", "-"): text for name, text in sections.items()}

    for words, command in _commands(cli, "benchwatch"):
        (text,) = [
            text
            for name, text in by_words.items()
            if re.match(rf"{words}( [^a-z]|$| [a-z]+\|)", name)
        ]
        for parameter in command.params:
            if isinstance(parameter, click.Option):
                for option in parameter.opts:
                    assert rf"\fB{option.replace('-', chr(92) + '-')}\fR" in text, (words, option)


def test_its_files_are_those_of_the_program(tmp_path, monkeypatch):
    """Each lies where the program looks for it (the XDG Base Directory Specification)."""
    for kind in ("CONFIG", "DATA", "STATE"):
        monkeypatch.setenv(f"XDG_{kind}_HOME", str(tmp_path / kind.lower()))
    named = {
        Path(re.sub(r"^\$XDG_(\w+)_HOME", lambda m: str(tmp_path / m[1].lower()), name))
        for name, _ in FILES
    }

    assert named == {
        configuration_path({})[0],
        own_profiles() / "*.toml",
        usual_laboratory_file(),
        default_path(),
        register_path(default_path()),
        log_path(),
    }


def test_its_exit_codes_are_those_of_the_help():
    """The same numbers with the same words."""
    said = " ".join((cli.help or "").split())

    assert all(f"{code} {meaning}" in said for code, meaning in EXIT_CODES)


@pytest.mark.skipif(GROFF is None, reason="needs groff, which reads the language of man")
def test_groff_warns_of_nothing_and_shows_options_that_can_be_copied():
    """Groff 1.22 or newer, with all warnings on; options have the hyphen that a shell wants."""
    shown = _rendered(PAGE)

    assert "--tolerance FRACTION" in shown
    assert "benchwatch watch TCPIP0::192.168.1.20::5025::SOCKET --tolerance 1ppb" in shown
    assert "oscillator's trimmer" in shown
    assert not set(shown) & {"\u2010", "\u2019", "\u02dc", "\u02c6"}


@pytest.mark.skipif(MANDOC is None, reason="needs mandoc, the other program that reads the page")
def test_mandoc_finds_no_fault():
    """Its own check, all warnings on; that the date is missing is on purpose."""
    assert MANDOC is not None
    done = subprocess.run(
        [MANDOC, "-T", "lint", "-W", "warning", str(doc_tables_program.MANUAL)],
        capture_output=True,
        text=True,
    )

    found = [row for row in done.stdout.splitlines() if "missing date" not in row]
    assert (found, done.stderr) == ([], "")


@pytest.mark.skipif(GROFF is None, reason="needs groff, which reads the language of man")
def test_no_text_of_a_help_is_a_request_or_an_escape():
    r"""Points, quotes and ``\`` come out as they are, wherever they stand."""
    hostile = [
        r".so /etc/passwd",
        r"'br",
        r"\fBbold\n \*[x] \(rs",
        '"quoted" ~/.x ^ `y` ±',
        "-x --y",
    ]

    @click.group()
    def program() -> None:
        """Do nothing."""

    for number, text in enumerate(hostile):
        program.add_command(
            click.Command(
                f"c{number}",
                help=f"{text}\n\n\b\n{text}\n{text}",
                params=[click.Option(["--option"], help=text, metavar=text)],
            )
        )
    shown = _rendered(manual_page(program))

    for text in hostile:
        assert shown.count(text) == 5, text


def test_it_is_printed_where_there_is_no_terminal():
    """Standard output gets the page itself."""
    done = subprocess.run([*COMMAND, "manual"], capture_output=True, text=True)

    assert (done.returncode, done.stdout, done.stderr) == (0, PAGE, "")


def test_on_a_terminal_it_is_shown_by_man(monkeypatch, capsys):
    """The viewer gets a file with the page, and its exit code is the program's."""
    shown = []

    def viewer(command: list[str], *, check: bool) -> subprocess.CompletedProcess[bytes]:
        shown.append((command[0], Path(command[1]).read_text(encoding="ascii"), check))
        return subprocess.CompletedProcess(command, 3)

    monkeypatch.setattr(manual_command.subprocess, "run", viewer)
    monkeypatch.setattr(manual_command.shutil, "which", lambda _: "/bin/man")
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)

    assert run(["manual"]) == 3
    assert shown == [("/bin/man", PAGE, False)]
    assert capsys.readouterr().out == ""
