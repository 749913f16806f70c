"""The simulated serial line, through pySerial and PyVISA-py, which share no code with it."""

import time
from pathlib import Path

import pytest
import pyvisa
import serial
from load_kit import LONGEST_WAIT_S, Stopwatch, wait_until

from benchwatch_simulators.bench.simulated_bench import open_bench
from benchwatch_simulators.bench_time import ManualClock

IDENTITY = b"SIMULATED,BENCH COUNTER,0,1.0\n"


def path_of(bench, counter="main"):
    """Return the path inside a resource string."""
    return bench.resources[counter].removeprefix("ASRL").removesuffix("::INSTR")


def ask(port, line):
    """Send a line, return the next."""
    port.write(line + b"\r\n")
    return port.readline()


def test_answers_lines():
    """One line in, one line out; CR LF is accepted like LF."""
    with (
        open_bench("serial", seed=1) as bench,
        serial.Serial(path_of(bench), timeout=LONGEST_WAIT_S) as port,
    ):
        assert ask(port, b"*IDN?") == IDENTITY
        assert float(ask(port, b"READ?")) == pytest.approx(10_000_000.37, abs=0.05)


def test_pyvisa_opens_the_resource_string():
    """Unchanged, with PyVISA's own terminations."""
    with open_bench("serial", seed=1) as bench:
        client = pyvisa.ResourceManager("@py").open_resource(
            bench.resources["main"], read_termination="\n", write_termination="\n", timeout=60_000
        )
        identity = client.query("*IDN?")
        client.close()

    assert identity.encode() + b"\n" == IDENTITY


def test_a_talk_only_counter_sends_a_line_a_gate_and_no_old_ones():
    """A client that opens the line later gets no old lines."""
    with open_bench("talker", seed=1) as bench:
        time.sleep(0.6)  # two gates without a reader
        stopwatch = Stopwatch()
        with serial.Serial(path_of(bench), timeout=LONGEST_WAIT_S) as port:
            lines = [port.readline() for _ in range(4)]
            total_s, took_s = stopwatch.total_s, stopwatch.elapsed_s

    assert all(line.startswith(b"10.000 000 3") and line.endswith(b" MHz\n") for line in lines)
    assert total_s > 3 * 0.26 - 0.05
    assert took_s < 4 * 0.26 + 0.3


def test_a_pulled_line_breaks_and_comes_back_under_its_name():
    """The pseudo-terminal is another one then; the resource string is the same."""
    clock = ManualClock()
    with open_bench("serial", seed=1, clock=clock) as bench:
        path = path_of(bench)
        with serial.Serial(path, timeout=LONGEST_WAIT_S) as port:
            ask(port, b"*IDN?")
            bench.fault("main", "closed", 0.2)
            with pytest.raises(serial.SerialException):
                port.read(1)
        gone = not Path(path).exists()
        assert clock.until_waiting()
        clock.advance(0.3)

        assert gone
        assert wait_until(lambda: Path(path).exists())
        with serial.Serial(path, timeout=LONGEST_WAIT_S) as port:
            assert ask(port, b"*IDN?") == IDENTITY


def test_closing_leaves_nothing_behind():
    """Neither a file nor an open handle."""
    before = len(list(Path("/proc/self/fd").iterdir()))
    with open_bench("serial", seed=1) as bench:
        folder = Path(path_of(bench)).parent
        assert folder.exists()

    assert not folder.exists()
    assert wait_until(lambda: len(list(Path("/proc/self/fd").iterdir())) <= before)
