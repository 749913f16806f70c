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

FOLDER = TOP / "docs" / "examples" / "systemd"
SERVICES = sorted(FOLDER.glob("*.service"))
DROP_INS = sorted(FOLDER.glob("*.service.d/*.conf"))
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


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="there is no systemd here")
@pytest.mark.parametrize("file", DROP_INS, ids=lambda file: file.parent.stem)
def test_systemd_takes_what_is_added_to_a_unit_of_debian(file: Path, tmp_path: Path) -> None:
    """It finds nothing to remark on beside the unit that the words belong to."""
    unit = tmp_path / file.parent.name.removesuffix(".d")
    unit.write_text(f"[Service]\nExecStart={sys.executable}\n", "utf-8")
    (tmp_path / file.parent.name).mkdir()
    added = file.read_text("utf-8").replace("=/usr/sbin/mosquitto", f"={sys.executable}")
    (tmp_path / file.parent.name / file.name).write_text(added, "utf-8")
    named = tmp_path / unit.name.replace("@.", "@15-main.")

    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(named)], capture_output=True, text=True
    )

    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("file", SERVICES, ids=lambda file: file.stem)
def test_what_it_has_to_say_goes_to_the_log(file: Path) -> None:
    """Standard error goes where standard output goes, unless the file says otherwise."""
    lines = set(file.read_text("utf-8").splitlines())

    assert "StandardOutput=null" not in lines or "StandardError=journal" in lines


def test_the_broker_is_never_root() -> None:
    """It hears all of the network; its port and its files need no right of root."""
    lines = (FOLDER / "mosquitto.service.d" / "benchwatch.conf").read_text("utf-8").splitlines()

    assert {
        "User=mosquitto", "NoNewPrivileges=yes", "ProtectSystem=strict", "ProtectHome=yes",
        "CapabilityBoundingSet=", "SystemCallFilter=@system-service",
    } <= set(lines)  # fmt: skip


def test_a_database_that_was_killed_is_started_again() -> None:
    """As all others are; Debian's own unit leaves it down."""
    (file,) = (file for file in DROP_INS if file.parent.name.startswith("postgresql@"))

    assert "Restart=on-failure" in file.read_text("utf-8").splitlines()


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
