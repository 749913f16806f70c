"""Counters of a bench that come later, never come, or end early: the others lose nothing by it.

Each watch is a process of its own, and each counter a real socket.
"""

import contextlib
import json
import re
import signal
import subprocess

import pytest
from counter_kit import again_if_kept_from_reading, note_busy, number_of, tiny_counter
from program_kit import COMMAND, Watching, run_program
from socket_kit import answering, kept_port, serving
from terminal_kit import Terminal

from benchwatch_simulators.bench.simulated_bench import open_bench

pytestmark = pytest.mark.usefixtures("side_by_side")

VERSE = answering(lambda _: b"\x80\x81 not to be read\n")


@contextlib.contextmanager
def empty_port():
    """Yield the resource of a port at which nothing listens."""
    with kept_port() as port:
        yield f"TCPIP0::127.0.0.1::{port}::SOCKET"


def numbers(lines, counter) -> list[int]:
    """Return the numbers of the readings of a counter."""
    return [
        number_of(line)
        for line in lines
        if line["kind"] == "reading" and line["counter"] == counter
    ]


@again_if_kept_from_reading
def test_a_counter_that_never_comes_does_not_hold_lines():
    """The other's readings all come, with exit code 0; what is missing is said twice, not more."""
    with tiny_counter(gate_s=0.05) as ten, empty_port() as five:
        done = run_program(
            "watch", f"ten={ten.resource}", f"five={five}", "--nominal", "10MHz",
            "--json", "--count", "60", "--no-journal",
        )  # fmt: skip

    lines = [json.loads(line) for line in done.stdout.splitlines()]
    note_busy(lines)
    assert done.returncode == 0, done.stderr
    assert numbers(lines, "ten") == list(range(1, 61))
    assert lines[-1] == {"kind": "end", "readings": 60, "gaps": 0, "reason": "count reached"}
    assert done.stderr.count("five: not there yet: can't open") == 1
    assert "It is tried again." in done.stderr
    assert "five was never there: can't open" in done.stderr.splitlines()[-1]
    assert len([line for line in done.stderr.splitlines() if "five" in line]) <= 3


def test_a_counter_that_is_lost_at_the_end_is_named():
    """The time is up while one of two is switched off; the other's exit code stands."""
    with tiny_counter(gate_s=0.05) as ten, tiny_counter(gate_s=0.05) as five:
        watching = Watching(f"ten={ten.resource}", f"five={five.resource}", journal=None,
                            options=("--no-journal", "--for", "9s"))  # fmt: skip
        with watching:
            watching.wait_for_narration("five: reading ")
            five.close()
            code = watching.end(0)

    assert code == 0, watching.narration
    last = watching.narration.splitlines()[-1]
    assert re.search("five was (silent|lost) at the end, and had not come back", last), last


@pytest.mark.parametrize("form", ["--json", "--plain"])
def test_a_counter_that_is_switched_on_later_joins_lines(form):
    """It is waited for while the other reads, and then gives as many readings."""
    with contextlib.ExitStack() as stack:
        ten = stack.enter_context(tiny_counter(gate_s=0.05))
        port = stack.enter_context(kept_port())
        words = ("watch", f"ten={ten.resource}", f"five=TCPIP0::127.0.0.1::{port}::SOCKET")
        child = subprocess.Popen(
            [*COMMAND, *words, "--nominal", "10MHz", form, "--count", "40", "--no-journal"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert child.stderr is not None
        before = next(line for line in child.stderr if "not there yet" in line)
        stack.enter_context(open_bench("quiet", seed=5, port=port))
        out, after = child.communicate(timeout=100)

    assert child.returncode == 0, before + after
    assert "five: not there yet" in before
    assert "five: it is there now.\nbenchwatch: five: reading SIMULATED" in after
    assert "never there" not in after
    assert sum("five" in line for line in out.splitlines()) >= 40
    assert sum("ten" in line for line in out.splitlines()) >= 40


@pytest.mark.parametrize(("connected", "code"), [(False, 3), (True, 4)])
def test_lines_of_counters_that_all_stay_away_end(connected, code):
    """3 where no connection was made, 4 where one was and no reading came; each is named."""
    with tiny_counter(gate_s=0.01) as counter, empty_port() as ten, empty_port() as other:
        counter.invalid_every = 1
        five = counter.resource if connected else other
        done = run_program(
            "watch", f"ten={ten}", f"five={five}", "--nominal", "10MHz", "--json",
            "--no-journal",
        )  # fmt: skip

    assert done.returncode == code, done.stderr
    assert json.loads(done.stdout)["readings"] == 0
    assert "ten was never there: can't open" in done.stderr
    assert f"five was never there: {five} is" in done.stderr or not connected


def test_a_wrong_instrument_and_a_refused_gate_end_no_other_counter(tmp_path):
    """Both are said, and the exit code is that of what the other one did."""
    bench = tmp_path / "bench.toml"
    with tiny_counter(0.05) as ten, tiny_counter(0.05) as gated, serving(VERSE) as verse:
        bench.write_text(
            f'[counters.ten]\nresource = "{ten.resource}"\nnominal = "10 MHz"\n'
            f'[counters.verse]\nresource = "{verse.resource}"\nnominal = "10 MHz"\n'
            f'[counters.gated]\nresource = "{gated.resource}"\nnominal = "10 MHz"\nchannel = 7\n',
            encoding="utf-8",
        )
        done = run_program(
            "watch", "--bench", str(bench), "--json", "--count", "30", "--no-journal"
        )

    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, done.stderr
    assert len(numbers(lines, "ten")) == 30
    assert "verse ended: " in done.stderr
    assert "gated ended: " in done.stderr


def test_an_interrupt_names_the_counter_that_never_came():
    """Exit code 130 as always, and the last sentence says who is missing."""
    with tiny_counter(gate_s=0.05) as ten, empty_port() as five:
        watching = Watching(f"ten={ten.resource}", f"five={five}", journal=None,
                            options=("--no-journal",))  # fmt: skip
        with watching:
            watching.wait_for_lines(10)
            watching.wait_for_narration("five: not there yet")
            code = watching.end(signal.SIGTERM)

    assert code == 130
    assert "five was never there: " in watching.narration.splitlines()[-1]


def test_the_screen_shows_who_is_missing_and_takes_it_in(tmp_path):
    """The other counter reads on meanwhile; on leaving nothing is missing any more."""
    with tiny_counter(gate_s=0.1) as ten, kept_port() as port:
        command = (
            *COMMAND, "watch", f"ten={ten.resource}", f"five=TCPIP0::127.0.0.1::{port}::SOCKET",
            "--nominal", "10MHz", "--no-journal", "--view", "trim",
        )  # fmt: skip
        with contextlib.closing(Terminal(command, tmp_path, width=120, height=36)) as screen:
            screen.wait_until(lambda _: ten.answered >= 10)
            screen.wait_for("five")
            with open_bench("quiet", seed=5, port=port) as bench:
                screen.wait_until(lambda _: bench.received("main").count("READ?") >= 3)
                screen.type(b"q")
                code = screen.end()

    assert code == 0
    assert b"never there" not in screen.seen


def test_a_page_narrates_who_is_missing():
    """It is written to standard error once, and the page is served all the same."""
    with tiny_counter(gate_s=0.05) as ten, empty_port() as five:
        child = subprocess.Popen(
            [*COMMAND, "watch", f"ten={ten.resource}", f"five={five}", "--nominal",
             "10MHz", "--no-journal", "--web", "--web-port", "0", "--count", "60"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        out, errors = child.communicate(timeout=100)

    assert child.returncode == 0, errors
    assert out.startswith("http://")
    assert errors.count("five: not there yet: can't open") == 1
    assert "five was never there: " in errors.splitlines()[-1]
