"""The simulated VXI-11 server with PyVISA-py's client, and with raw calls."""

import socket
import struct
import threading

import pytest
import pyvisa
from load_kit import LONGEST_WAIT_S, wait_until
from simulated_kit import IDENTITY, foreign_client, port_after_comma

from benchwatch_simulators.bench.simulated_bench import open_bench
from benchwatch_simulators.servers.message_exchange import MessageExchange


@pytest.fixture
def bench():
    """Serve a bench behind VXI-11."""
    with open_bench("vxi11", seed=1) as bench:
        yield bench


@pytest.fixture
def client(bench):
    """Open a session of PyVISA-py, which shares no code with the simulator."""
    with foreign_client(bench) as client:
        yield client


def test_messages_and_responses(client):
    """Queries, a gate, a reply read in two parts."""
    assert client.query("*IDN?").strip() == IDENTITY
    assert float(client.query("READ?")) == pytest.approx(10_000_000.37, abs=0.05)
    client.write("*IDN?")
    first = client.read_bytes(4, break_on_termchar=False)
    assert first + client.read_raw() == IDENTITY.encode() + b"\n"


def test_a_read_without_a_query_is_a_timeout_and_a_query_error(client):
    """VXI-11 error 15, and -420 in the instrument's queue (IEEE 488.2 6.3.2.2)."""
    client.timeout = 50
    with pytest.raises(pyvisa.errors.VisaIOError, match="TMO"):
        client.read()
    client.timeout = 2000

    assert client.query("SYST:ERR?").startswith("-420")


def test_a_late_response_is_dropped_by_the_next_query(client):
    """IEEE 488.2 6.3.2.3: the newer message interrupts; -410."""
    client.timeout = 50
    with pytest.raises(pyvisa.errors.VisaIOError, match="TMO"):
        client.query("READ?")
    client.timeout = 2000

    assert client.query("*IDN?").strip() == IDENTITY
    assert client.query("SYST:ERR?").startswith("-410")


def test_status_clear_and_trigger(client, bench):
    """Status byte with MAV (IEEE 488.2 11.2), device clear, device trigger, local."""
    client.write("*OPC?")
    while not client.read_stb() & 16:
        pass
    client.clear()
    cleared = client.read_stb()
    client.write("TRIG:SOUR BUS;:INIT")
    client.assert_trigger()
    reading = float(client.query("FETC?"))
    interface = client.visalib.sessions[client.session]
    interface.interface.device_local(interface.link, 0, 0, 1000)

    assert not cleared & 16
    assert reading == pytest.approx(10_000_000.37, abs=0.05)
    assert not bench.is_remote("main")


def test_a_trigger_waits_for_the_messages_before_it():
    """Group execute trigger is queued like messages (IEEE 488.2, 6.1: the input buffer)."""
    done, busy, go_on = [], threading.Event(), threading.Event()

    class Slow:
        def execute(self, message):
            busy.set()
            go_on.wait(LONGEST_WAIT_S)
            done.append(message)

        def group_trigger(self):
            done.append("trigger")

        def talk(self):
            done.append("talk")

    exchange = MessageExchange(Slow())
    exchange.send("INIT")
    assert busy.wait(LONGEST_WAIT_S)
    exchange.trigger()
    go_on.set()
    exchange.take(0.0)
    assert wait_until(lambda: len(done) >= 2)
    exchange.close()

    assert done[:2] == ["INIT", "trigger"]


def test_a_lock_keeps_others_out(bench):
    """VXI-11 errors 11 and 12, until it is released or its holder's connection ends."""
    manager = pyvisa.ResourceManager("@py")
    first, second = (manager.open_resource(bench.resources["main"]) for _ in range(2))
    one, two = (c.visalib.sessions[c.session] for c in (first, second))
    results = [
        one.interface.device_lock(one.link, 0, 0),
        two.interface.device_lock(two.link, 0, 0),
        two.interface.device_unlock(two.link),
        two.interface.device_write(two.link, 100, 0, 8, b"*CLS\n")[0],
        one.interface.device_unlock(one.link),
        two.interface.device_lock(two.link, 0, 0),
    ]
    first.close()
    second.close()

    assert results == [0, 11, 12, 11, 0, 0]


def call(program, procedure, arguments=b"", xid=7):
    """Return the bytes of a call (RFC 5531 sections 9 and 11)."""
    record = struct.pack(">10I", xid, 0, 2, program, 1, procedure, 0, 0, 0, 0) + arguments
    return struct.pack(">I", len(record) | 0x8000_0000) + record


@pytest.mark.parametrize(
    ("sent", "state"),
    [
        (call(0x0607AF, 0), 0),
        (call(0x0607AF, 77), 3),
        (call(99, 10), 1),
        (call(0x0607AF, 12, b"\0\0\0\1"), 4),
    ],
)
def test_calls_that_can_not_be_performed(bench, sent, state):
    """RFC 5531 section 9: null procedure, no such procedure, no such program, garbage."""
    with socket.create_connection(
        ("127.0.0.1", port_after_comma(bench)), timeout=LONGEST_WAIT_S
    ) as client:
        client.sendall(sent)
        answer = struct.unpack(">7I", client.recv(28))

    assert answer[1:4] == (7, 1, 0)
    assert answer[6] == state


def test_another_protocol_ends_the_connection(bench):
    """Bytes that are no call close the connection."""
    with socket.create_connection(
        ("127.0.0.1", port_after_comma(bench)), timeout=LONGEST_WAIT_S
    ) as client:
        client.sendall(b"\x80\0\0\x08GET / HTTP/1.0\r\n\r\n")

        assert client.recv(100) == b""
