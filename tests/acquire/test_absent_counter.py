"""A counter that is absent at first: the screen waits for it, lines report it and end."""

import contextlib
import json

import pytest
from program_kit import COMMAND, start_program
from socket_kit import kept_port
from terminal_kit import Terminal

from benchwatch_simulators.bench.simulated_bench import open_bench


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """Set data and state folders of the test's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


def test_lines_end_with_exit_3():
    """Nobody waits at a pipe."""
    with kept_port() as port:
        resource = f"TCPIP0::127.0.0.1::{port}::SOCKET"
        process = start_program("watch", resource, "--json", "--no-journal")
        out, errors = process.communicate(timeout=100)

    assert process.returncode == 3
    assert json.loads(out)["readings"] == 0
    assert "nothing listens" in errors


def test_the_screen_shows_that_it_tries_and_reads_once_the_counter_is_on(tmp_path):
    """The counter is switched on after the start, which need not be repeated."""
    with kept_port() as port:
        command = (
            *COMMAND, "watch", f"TCPIP0::127.0.0.1::{port}::SOCKET",
            "--nominal", "10MHz", "--no-journal",
        )  # fmt: skip
        with contextlib.closing(Terminal(command, tmp_path, width=120, height=36)) as screen:
            screen.wait_for("nothing listens")
            with open_bench("quiet", seed=5, port=port) as bench:
                screen.wait_until(lambda _: bench.received("main").count("READ?") >= 3)
                screen.type(b"q")
                code = screen.end()

    assert code == 0
