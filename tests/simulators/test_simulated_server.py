"""Simulated counters on real sockets, with own clients and with two foreign ones."""

import shutil
import socket
import subprocess
import threading

import pytest
import pyvisa
from load_kit import LONGEST_WAIT_S, Stopwatch
from simulated_kit import IDENTITY, a_client, a_counter, port_of

from benchwatch.clock import SystemClock
from benchwatch.errors import ConnectionFailed, UsageError
from benchwatch_simulators.bench.simulated_bench import open_bench
from benchwatch_simulators.bench_time import LeapClock, ManualClock
from benchwatch_simulators.servers.raw_socket_server import RawSocketServer

LXI = shutil.which("lxi")


@pytest.fixture
def quick_bench():
    """Serve a settled bench whose gates take no real time."""
    with open_bench("quiet", seed=1, clock=LeapClock()) as bench:
        yield bench


def test_answers_lines(quick_bench):
    """One line in, one line out; CR LF is accepted like LF; commands have no answer."""
    with a_client(port_of(quick_bench)) as client:
        client.send("FREQ:APER 0.5\r")
        client.send("FREQ:APER?;*OPC?\r")

        assert client.receive() == "+5.000000E-01;1"
        assert client.ask("SYST:ERR?") == '0,"No error"'


def test_several_lines_in_one_packet(quick_bench):
    """Lines may come together or in pieces; each is answered in turn."""
    with a_client(port_of(quick_bench)) as client:
        client.socket.sendall(b"*IDN?\n*OPC?\n*ID")
        client.socket.sendall(b"N?\n")

        assert [client.receive() for _ in range(3)] == [IDENTITY, "1", IDENTITY]


def test_several_clients_share_the_instrument(quick_bench):
    """Each client gets its own answers; settings and error queue are shared."""
    port = port_of(quick_bench)
    with a_client(port) as first, a_client(port) as second:
        first.send("FREQ:APER 0.2;:FOO")
        assert first.ask("*OPC?") == "1"

        assert second.ask("FREQ:APER?") == "+2.000000E-01"
        assert second.ask("SYST:ERR?").startswith("-113")
        assert first.ask("SYST:ERR?") == '0,"No error"'


def test_clients_in_parallel_get_their_own_answers(quick_bench):
    """Of four clients at once each gets the answers to its own queries."""
    wrong = []

    def converse(query, start):
        with a_client(port_of(quick_bench)) as client:
            wrong.extend(a for _ in range(100) if not (a := client.ask(query)).startswith(start))

    threads = [
        threading.Thread(target=converse, args=pair)
        for pair in [("*IDN?", "SIM"), ("READ?", "+1.0"), ("*OPC?", "1"), ("INP:COUP?", "AC")]
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert wrong == []


def test_an_endless_line_is_dropped(quick_bench):
    """A line over 4 kB is -363 (SCPI-99) once; the next line is answered."""
    with a_client(port_of(quick_bench)) as client:
        client.send("A" * 100_000)

        assert client.ask("SYST:ERR?") == '-363,"Input buffer overrun"'
        assert client.ask("SYST:ERR?") == '0,"No error"'


def test_garbage_bytes_do_not_end_the_connection(quick_bench):
    """Bytes that are no text queue an error; the next query is answered."""
    with a_client(port_of(quick_bench)) as client:
        client.socket.sendall(bytes(range(256)).replace(b"\n", b"") + b"\n")

        assert client.ask("*IDN?") == IDENTITY
        assert client.ask("SYST:ERR?").startswith("-1")


def test_read_takes_its_gate_on_the_bench_clock():
    """READ? answers when the bench clock has passed the gate, not before."""
    clock = ManualClock()
    with open_bench("quiet", seed=1, clock=clock) as bench, a_client(port_of(bench)) as client:
        client.send("READ?")
        assert clock.until_waiting()
        clock.advance(0.2)
        client.socket.settimeout(0.1)
        with pytest.raises(TimeoutError):
            client.socket.recv(1)
        clock.advance(0.06)
        client.socket.settimeout(LONGEST_WAIT_S)

        assert client.socket.recv(100).startswith(b"+1.0")


class NoticingClock(SystemClock):
    """The computer's clock, which records a wait."""

    def __init__(self):
        self.noticed = threading.Event()

    def wait(self, event, timeout_s):
        """Record the wait, then wait."""
        self.noticed.set()
        return super().wait(event, timeout_s)


def test_closing_cancels_an_open_gate():
    """A bench closes at once during a gate of 100 s, and its client sees the end."""
    clock = NoticingClock()
    bench = open_bench("quiet", seed=1, clock=clock)
    with a_client(port_of(bench)) as client:
        client.send("FREQ:APER 100;:READ?")
        assert clock.noticed.wait(LONGEST_WAIT_S)
        stopwatch = Stopwatch()
        bench.close()
        took_s = stopwatch.elapsed_s

        assert client.receive() == ""
        assert took_s < 0.5
    bench.close()


def test_closing_leaves_nothing_behind():
    """After close no thread of the bench runs and its port refuses."""
    with open_bench("pair", seed=1) as bench, a_client(port_of(bench, "five")) as client:
        port = port_of(bench, "five")
        client.ask("*IDN?")

    assert [t.name for t in threading.enumerate() if t.name.startswith("bench")] == []
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=1)


def test_a_closed_connection_can_be_opened_again():
    """A new connection finds the same instrument."""
    with open_bench("quiet", seed=1) as bench:
        with a_client(port_of(bench)) as client:
            client.ask("FREQ:APER 0.5;*OPC?")
            bench.hang_up("main")
            assert client.receive() == ""

        with a_client(port_of(bench)) as client:
            assert client.ask("FREQ:APER?") == "+5.000000E-01"


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", "::"])
def test_only_loopback(host):
    """A simulated bench is never served on a network."""
    with pytest.raises(UsageError, match="this computer only"):
        RawSocketServer(a_counter(), host=host)


@pytest.mark.parametrize("port", [70000, -1])
def test_impossible_port(port):
    """A port that can't be opened gives a sentence with a remedy."""
    with pytest.raises(ConnectionFailed, match="Choose another port"):
        open_bench("quiet", port=port)


def test_port_in_use():
    """So does a port in use; nothing of the bench stays open."""
    with open_bench("quiet") as bench, pytest.raises(ConnectionFailed, match="in use"):
        open_bench("pair", port=port_of(bench))

    assert [t.name for t in threading.enumerate() if t.name.startswith("bench")] == []


def test_chosen_ports():
    """The first counter has the requested port, the others the next ones."""
    with open_bench("quiet") as bench:
        free = port_of(bench)

    with open_bench("quiet", port=free) as bench:
        assert port_of(bench) == free


@pytest.mark.skipif(LXI is None, reason="the independent client lxi is not installed")
def test_independent_client_lxi():
    """`lxi scpi -r` (lxi-tools) gets the identity and a reading."""
    with open_bench("quiet", seed=1) as bench:
        command = [LXI, "scpi", "-r", "-a", "127.0.0.1", "-p", str(port_of(bench)), "-t", "1"]
        replies = [
            subprocess.run(
                [*command, query], capture_output=True, text=True, check=True
            ).stdout.strip()
            for query in ("*IDN?", "READ?")
        ]

    assert replies[0] == IDENTITY
    assert float(replies[1]) == pytest.approx(10_000_000.37, abs=0.05)


def test_independent_client_pyvisa(quick_bench):
    """PyVISA opens the resource string unchanged and queries it."""
    manager = pyvisa.ResourceManager("@py")
    session = manager.open_resource(
        quick_bench.resources["main"], read_termination="\n", write_termination="\n", timeout=60_000
    )
    try:
        identity = session.query("*IDN?")
        reading = float(session.query("READ?"))
    finally:
        session.close()

    assert identity == IDENTITY
    assert reading == pytest.approx(10_000_000.37, abs=0.05)
