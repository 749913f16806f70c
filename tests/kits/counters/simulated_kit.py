"""A simulated counter without a socket, and plain clients for one on a socket."""

import socket
from contextlib import contextmanager

import pyvisa
from load_kit import LONGEST_WAIT_S

from benchwatch_simulators.bench_time import BenchTime, LeapClock
from benchwatch_simulators.counters.counter_settings import ScpiCounterSpec
from benchwatch_simulators.counters.edge_counter import Counting, CountingSpec
from benchwatch_simulators.counters.scpi_counter import SimulatedScpiCounter
from benchwatch_simulators.oscillator.oscillator import Oscillator, OscillatorSpec

IDENTITY = "SIMULATED,BENCH COUNTER,0,1.0"
"""Default answer of a simulated counter to ``*IDN?``."""


def a_counting(signal=None, *, internal=None, reference=True, seed=1, **spec):
    """Return a `Counting` of a signal; oscillators that are not given are noiseless."""
    return Counting(
        CountingSpec(**spec),
        signal=Oscillator(signal or OscillatorSpec(), seed),
        internal=Oscillator(internal or OscillatorSpec(), seed + 1),
        reference=Oscillator(OscillatorSpec(), 0) if reference else None,
        seed=seed,
    )


def a_counter(counting=None, clock=None, **spec):
    """Return a `SimulatedScpiCounter` whose gates take no real time."""
    bench_time = BenchTime(clock or LeapClock())
    return SimulatedScpiCounter(ScpiCounterSpec(**spec), counting or a_counting(), bench_time)


def errors_of(counter):
    """Empty the error queue and return the codes."""
    codes = []
    while (text := counter.execute("SYST:ERR?")) != '0,"No error"':
        codes.append(int(text.split(",")[0]))
    return codes


def port_of(bench, counter="main"):
    """Return the port in a resource string."""
    return int(bench.resources[counter].split("::")[2])


def port_after_comma(bench, counter="main"):
    """Return the port in a resource string that has it beside the address or the board."""
    return int(bench.resources[counter].split(",")[1].split("::")[0])


@contextmanager
def foreign_client(bench):
    """Open a session of PyVISA-py, which shares no code with the product."""
    client = pyvisa.ResourceManager("@py").open_resource(bench.resources["main"], timeout=60_000)
    yield client
    client.close()


def ask_control_port(port, line):
    """Send a line to the control port of a simulated bench; return its answer."""
    with a_client(port) as client:
        return client.ask(line)


class Client:
    """Sends lines and reads lines on a plain socket."""

    def __init__(self, port):
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=LONGEST_WAIT_S)
        self._lines = self.socket.makefile("rb")

    def send(self, line):
        """Send one line."""
        self.socket.sendall(line.encode("latin-1") + b"\n")

    def receive(self):
        """Return the next line, empty at the end."""
        return self._lines.readline().decode("latin-1").rstrip("\n")

    def ask(self, line):
        """Send one line and return the next."""
        self.send(line)
        return self.receive()

    def close(self):
        """Close the connection."""
        self._lines.close()
        self.socket.close()


@contextmanager
def a_client(port):
    """Connect a `Client`, and close it afterwards."""
    client = Client(port)
    try:
        yield client
    finally:
        client.close()
