"""A counter that speaks another dialect: the sentence names the driver that reads what it sends."""

import socket
import time

import pytest
from socket_kit import serving

from benchwatch.bus.session import _last_whole_line
from benchwatch.cli import run
from benchwatch.commands.common.discovery_options import other_dialects

DISPLAY_LINE = "10.000 000 370 0 MHz"
"""A line of the family of the bundled profile talk-only-display."""


def talking(line: str):
    """Return what sends a line ten times a second, and hears nothing."""

    def serve(peer: socket.socket) -> None:
        while True:
            peer.sendall(line.encode("latin-1") + b"\r\n")
            time.sleep(0.1)

    return serve


@pytest.mark.parametrize("driver", ["scpi", "interval-talk-only"])
def test_the_driver_that_reads_it_is_named(capsys, driver):
    """The command ends with exit code 3, and with the option that would read the counter."""
    with serving(talking(DISPLAY_LINE)) as server:
        code = run(["watch", server.resource, "--driver", driver, "--plain", "--no-journal"])
        right = run(
            ["watch", server.resource, "--driver", "talk-only-display", "--plain", "--no-journal",
             "--count", "2"]
        )  # fmt: skip
    errors = capsys.readouterr().err

    assert (code, right) == (3, 0)
    assert "try --driver talk-only-display" in errors
    assert errors.rstrip().splitlines()[-1].count("--driver") == 0


def test_what_no_driver_reads_gets_no_hint(capsys):
    """Garbage is what it was before: no driver is recommended."""
    with serving(talking("@@@@ \x1b[31m ####")) as server:
        code = run(["watch", server.resource, "--plain", "--no-journal"])
    errors = capsys.readouterr().err

    assert code == 3
    assert "--driver" not in errors
    assert "\x1b" not in errors


@pytest.mark.parametrize(
    ("line", "driver", "says"),
    [
        (
            DISPLAY_LINE,
            "scpi",
            "What it sends is read by the driver talk-only-display: try --driver",
        ),
        (DISPLAY_LINE, "talk-only-display", ""),
        ("hello, world", "scpi", ""),
        ("", "scpi", ""),
        ("[bold]\x1b[31m", "scpi", ""),
    ],
)
def test_a_hint_names_drivers_that_read_the_line(line, driver, says):
    """Where the present driver reads the line too, or none does, nothing is said."""
    found = other_dialects(line, driver)

    assert found.startswith(says)
    assert bool(found) == bool(says)


@pytest.mark.parametrize(
    ("seen", "line"),
    [
        (b"", ""),
        (b"cut 1\r\n", ""),
        (b"cut\r\nwhole\r\n", "whole"),
        (b"cut\r\nold\r\nwhole\r\nbegun", "whole"),
        (b"\xff\nwhole\n", "whole"),
    ],
)
def test_only_a_line_with_both_ends_is_whole(seen, line):
    """The first may lack its beginning and the last its end."""
    assert _last_whole_line(seen) == line
