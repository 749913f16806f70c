"""At the end the front panel is in local, and the connection is closed."""

import signal

import pytest
from load_kit import LONGEST_WAIT_S, wait_until
from program_kit import COMMAND, start_program
from simulated_kit import port_of
from socket_kit import connections_to
from terminal_kit import Terminal

from benchwatch_simulators.bench.simulated_bench import open_bench


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """Set data and state folders of the test's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT])
def test_a_signal_in_the_middle_of_a_gate_leaves_the_panel_local(number):
    """Lines: a gate was set and a reading is in progress, and the panel returns to local."""
    with open_bench("quiet", seed=5) as bench:
        process = start_program(
            "watch", bench.resources["main"], "--gate", "0.5s", "--json", "--no-journal"
        )
        assert process.stdout is not None
        process.stdout.readline()
        process.send_signal(number)
        code = process.wait(timeout=LONGEST_WAIT_S)
        process.communicate()
        local = wait_until(lambda: not bench.is_remote("main"))
        closed = wait_until(lambda: connections_to(port_of(bench)) == 0)
        received = bench.received("main")

    assert (code, local, closed) == (130, True, True)
    settings = [text for text in received if "?" not in text]
    assert settings == ["FREQ:APER 0.5", "SYST:LOC"]


@pytest.mark.parametrize(
    ("how", "code"), [("q", 0), (signal.SIGTERM, 130), (signal.SIGINT, 130), (signal.SIGHUP, 130)]
)
def test_the_screen_leaves_the_panel_local_however_it_ends(tmp_path, how, code):
    """Screen: by its key and by signals."""
    with open_bench("quiet", seed=5) as bench:
        options = ("--gate", "0.5s", "--nominal", "10MHz", "--no-journal")
        screen = Terminal([*COMMAND, "watch", bench.resources["main"], *options], tmp_path)
        try:
            screen.wait_until(lambda _: bench.received("main").count("READ?") >= 2)
            screen.wait_for("ppb")
            if isinstance(how, str):
                screen.type(how.encode())
            else:
                screen.child.send_signal(how)
            exit_code = screen.end()
        finally:
            screen.close()
        local = wait_until(lambda: not bench.is_remote("main"))
        closed = wait_until(lambda: connections_to(port_of(bench)) == 0)

    assert (exit_code, local, closed) == (code, True, True)


def test_a_watch_that_sets_nothing_sends_nothing_at_the_end():
    """Queries alone change nothing that would have to be restored."""
    with open_bench("quiet", seed=5) as bench:
        process = start_program(
            "watch", bench.resources["main"], "--json", "--no-journal", "--count", "2"
        )
        process.communicate(timeout=LONGEST_WAIT_S)
        closed = wait_until(lambda: connections_to(port_of(bench)) == 0)
        received = bench.received("main")

    assert closed
    assert [text for text in received if "?" not in text] == []
