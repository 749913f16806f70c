"""The service files of the docs: systemd takes them, and the program takes their command lines."""

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest
from doc_kit import TOP

from benchwatch.cli import cli

SERVICES = sorted((TOP / "docs" / "examples" / "systemd").glob("*.service"))
INSTALLED = "/opt/benchwatch/bin/benchwatch"


def command_line(file: Path) -> list[str]:
    """Return the words of the program that a service starts."""
    (line,) = re.findall(r"^ExecStart=(.*)$", file.read_text("utf-8"), re.MULTILINE)
    program, *words = shlex.split(line)
    assert program == INSTALLED
    return words


@pytest.mark.parametrize("file", SERVICES, ids=lambda file: file.stem)
def test_its_options_are_those_of_the_command(file: Path) -> None:
    """Parsed as the program does, without running anything."""
    name, *words = command_line(file)
    command = cli.get_command(click.Context(cli), name)
    assert command is not None

    context = command.make_context(name, words)

    assert context.params


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="there is no systemd here")
@pytest.mark.parametrize("file", SERVICES, ids=lambda file: file.stem)
def test_systemd_takes_it(file: Path, tmp_path: Path) -> None:
    """It finds nothing to remark on where the program is installed."""
    copied = tmp_path / file.name
    copied.write_text(file.read_text("utf-8").replace(INSTALLED, sys.executable), "utf-8")

    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(copied)], capture_output=True, text=True
    )

    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("file", SERVICES, ids=lambda file: file.stem)
def test_it_runs_as_a_user_of_its_own_with_few_rights(file: Path) -> None:
    """Whatever comes by the network or from a counter can't change the computer.

    What drops days has the account of the tables' owner; it hears nothing from outside.
    """
    lines = file.read_text("utf-8").splitlines()
    user = "postgres" if "--drop-archived" in command_line(file) else "benchwatch"

    assert {
        f"User={user}", "NoNewPrivileges=yes", "ProtectSystem=strict", "ProtectHome=yes",
        "CapabilityBoundingSet=",
    } <= set(lines)  # fmt: skip
