"""``benchwatch doctor``: what is missing on this computer, and what to do."""

import os
import sys
from collections.abc import Iterator

import click

from benchwatch.bus import backends, serial_ports
from benchwatch.commands.common import system_checks
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.system_checks import Finding
from benchwatch.driver_registry import drivers
from benchwatch.errors import BenchwatchError
from benchwatch.journal import default_path
from benchwatch.quantity import printable


@click.command()
@click.option("--json", "as_json", is_flag=True, help="A line a finding, for programs.")
def doctor(as_json: bool) -> int:
    """Say what is missing on this computer, and what to do about each.

    Versions, VISA libraries, permissions on serial ports and USB, drivers and profiles, the
    journal and its disk, the terminal. No instrument is opened or asked. The exit code is 1
    when something needs your hand; what is only missing if you need it (-) does not count.
    """
    bad = 0
    for found in _all():
        bad += found.good is False
        if as_json:
            print_json(
                {"kind": "check", "name": found.name, "good": found.good, "says": found.says,
                 "advice": found.advice}
            )  # fmt: skip
            continue
        word = {True: "yes", False: "NO", None: "-"}[found.good]
        print_text(f"{found.name:<12} {word:<4} {printable(found.says, 400)}")
        if found.advice:
            print_text(f"{'':<17} {printable(found.advice, 300)}")
    if as_json:
        print_json({"kind": "end", "good": not bad})
    narrate("all is well" if not bad else f"{bad} thing{'s' if bad > 1 else ''} to see to")
    return BenchwatchError.exit_code if bad else 0


def _all() -> Iterator[Finding]:
    yield from system_checks.versions()
    yield from system_checks.visa(backends())
    yield from system_checks.serial(serial_ports())
    yield from system_checks.usb()
    yield from system_checks.profiles(drivers())
    yield from system_checks.journal(default_path())
    size = os.get_terminal_size(sys.stdout.fileno()) if sys.stdout.isatty() else None
    yield from system_checks.terminal(size, os.environ, sys.stdout.encoding or "ascii")
