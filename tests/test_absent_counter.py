"""A counter that is not there yet: the screen waits for it, lines say so and end."""

import json

import pytest
from bus_kit import free_port
from hand_kit import OnTerminal, wait_until
from pipeline_kit import benchwatch

from benchwatch_simulators.bench import open_bench


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """A home of its own, so that no test touches that of whoever runs it."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


def test_lines_end_with_exit_3():
    """Nobody sits before a pipe and waits."""
    resource = f"TCPIP0::127.0.0.1::{free_port()}::SOCKET"
    process = benchwatch("watch", resource, "--json", "--no-journal")
    out, errors = process.communicate(timeout=30)

    assert process.returncode == 3
    assert json.loads(out)["readings"] == 0
    assert "nothing listens" in errors


def test_the_screen_shows_that_it_tries_and_reads_once_the_counter_is_on():
    """The counter is switched on after the screen: nothing has to be started again."""
    port = free_port()
    screen = OnTerminal(
        "watch", f"TCPIP0::127.0.0.1::{port}::SOCKET", "--nominal", "10MHz", "--no-journal",
        columns=120, lines=36,
    )  # fmt: skip
    shown = screen.until(b"nothing listens")
    with open_bench("quiet", seed=5, port=port) as bench:
        reads = wait_until(lambda: bench.heard("main").count("READ?") >= 3, 20.0)
        screen.press(b"q")
        code = screen.ended()

    assert (shown, reads, code) == (True, True, 0)
