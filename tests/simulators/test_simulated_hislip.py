"""The simulated HiSLIP server with PyVISA-py's client, and with raw messages of IVI-6.1."""

import socket
import struct

import pytest
import pyvisa
from load_kit import LONGEST_WAIT_S, wait_until
from simulated_kit import IDENTITY, foreign_client, port_after_comma

from benchwatch_simulators.bench.simulated_bench import open_bench
from benchwatch_simulators.bench_time import ManualClock


@pytest.fixture
def bench():
    """Serve a bench behind HiSLIP."""
    with open_bench("hislip", seed=1) as bench:
        yield bench


@pytest.fixture
def client(bench):
    """Open a session of PyVISA-py, which shares no code with the simulator."""
    with foreign_client(bench) as client:
        yield client


def test_messages_and_responses(client):
    """Queries, a gate, and several lines in one message."""
    assert client.query("*IDN?").strip() == IDENTITY
    assert float(client.query("READ?")) == pytest.approx(10_000_000.37, abs=0.05)
    assert client.query("FREQ:APER?;*OPC?").strip() == "+2.500000E-01;1"


def test_status_clear_and_trigger(client):
    """The functions beside the message stream: status byte, device clear, trigger."""
    client.write("FOO")
    client.query("*OPC?")
    assert client.read_stb() & 4  # something is in the error queue (SCPI-99 9.2)
    client.clear()
    client.write("TRIG:SOUR BUS;:INIT")
    client.query("TRIG:SOUR?")
    client.visalib.sessions[client.session].interface.trigger()

    assert float(client.query("FETC?")) == pytest.approx(10_000_000.37, abs=0.05)


def test_a_response_not_asked_for_again_is_dropped_by_its_number():
    """A late response has the number of its query (IVI-6.1 section 3.1.2)."""
    clock = ManualClock()
    with open_bench("hislip", seed=1, clock=clock) as bench, foreign_client(bench) as client:
        client.timeout = 50
        with pytest.raises(pyvisa.errors.VisaIOError):
            client.query("READ?")
        client.timeout = 1000 * LONGEST_WAIT_S
        assert clock.until_waiting()
        clock.advance(0.3)

        assert client.query("*IDN?").strip() == IDENTITY


def test_large_messages_are_agreed_on(client):
    """AsyncMaxMsgSize: the smaller of the two applies."""
    interface = client.visalib.sessions[client.session].interface

    assert interface.async_maximum_message_size(1 << 30) == 1 << 20
    assert interface.async_maximum_message_size(4096) == 4096


def test_locks(bench):
    """An exclusive lock keeps others out until it is released (IVI-6.1 section 6.5)."""
    manager = pyvisa.ResourceManager("@py")
    first, second = (manager.open_resource(bench.resources["main"]) for _ in range(2))
    one, two = (c.visalib.sessions[c.session].interface for c in (first, second))
    granted = one.async_lock_request(0.1)
    info = two.async_lock_info()
    refused = two.async_lock_request(0.05)
    released = one.async_lock_release()
    then = two.async_lock_request(0.1)
    first.close()
    second.close()

    assert (granted, info, refused, released, then) == (
        "success",
        1,
        "failure",
        "success",
        "success",
    )


def test_remote_and_local(client, bench):
    """A message sets the front panel remote; the local function returns it."""
    client.query("*IDN?")
    remote = bench.is_remote("main")
    client.visalib.sessions[client.session].interface.async_remote_local_control("justGTL")

    assert remote
    assert not bench.is_remote("main")


def test_a_client_that_hangs_up_leaves_nothing(bench):
    """Its two connections end together, and its locks are released."""
    manager = pyvisa.ResourceManager("@py")
    client = manager.open_resource(bench.resources["main"])
    client.visalib.sessions[client.session].interface.async_lock_request(0.1)
    client.close()
    other = manager.open_resource(bench.resources["main"])
    interface = other.visalib.sessions[other.session].interface

    assert wait_until(lambda: interface.async_lock_info() == 0)
    other.close()


HEADER = struct.Struct("!2sBBIQ")


def raw(bench):
    """Connect without any client library."""
    return socket.create_connection(("127.0.0.1", port_after_comma(bench)), timeout=LONGEST_WAIT_S)


@pytest.mark.parametrize(
    ("sent", "kind", "code"),
    [
        (b"GET / HTTP/1.0\r\n\r\n", 2, 1),
        (HEADER.pack(b"HS", 7, 0, 1, 5) + b"*IDN?", 2, 3),
        (HEADER.pack(b"HS", 17, 0, 99, 0), 2, 3),
        (HEADER.pack(b"HS", 0, 0, 0x01007878, 1 << 40), 2, 1),
        (HEADER.pack(b"HS", 0, 0, 0x01007878, 0) + HEADER.pack(b"HS", 7, 0, 1, 1) + b"X", 2, 2),
    ],
)
def test_bad_headers_are_refused_with_a_fatal_error(bench, sent, kind, code):
    """IVI-6.1 section 6.2: bad header, bad initialisation, only one of the two channels."""
    with raw(bench) as client:
        client.sendall(sent)
        answers = b""
        while chunk := client.recv(100):
            answers += chunk
        last = answers[: HEADER.size] if answers[2] == kind else answers[HEADER.size :]

        assert HEADER.unpack_from(last)[:3] == (b"HS", kind, code)


def test_an_unknown_message_is_an_error_and_no_end(bench):
    """IVI-6.1 section 6.3: Error 1, and the session continues."""
    with raw(bench) as synchronous, raw(bench) as asynchronous:
        synchronous.sendall(HEADER.pack(b"HS", 0, 0, 0x01007878, 7) + b"hislip0")
        number = HEADER.unpack(synchronous.recv(16))[3] & 0xFFFF
        asynchronous.sendall(HEADER.pack(b"HS", 17, 0, number, 0))
        asynchronous.recv(16)
        for channel in (synchronous, asynchronous):
            channel.sendall(HEADER.pack(b"HS", 99, 0, 0, 0))
            assert HEADER.unpack(channel.recv(16))[1:3] == (3, 1)
            channel.recv(100)
        synchronous.sendall(HEADER.pack(b"HS", 7, 0, 0xFFFFFF00, 6) + b"*OPC?\n")
        answer = synchronous.recv(100)

    assert HEADER.unpack(answer[:16])[1:4] == (7, 0, 0xFFFFFF00)
    assert answer[16:] == b"1\n"
