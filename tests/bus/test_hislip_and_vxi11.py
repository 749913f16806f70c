"""HiSLIP and VXI-11: the guarded session with servers that misbehave, on loopback.

The behaviour of PyVISA-py alone was measured with PyVISA-py 0.8.1; its issues on that: pyvisa-py
#172 and #320 (wrong xid), #258 (open and close again), #376 (old reply).
"""

import socket
import struct
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from link_kit import (
    after_a_bad_answer,
    after_late_replies,
    hung_up_soon,
    linked,
    open_link,
    sessions_left_by,
)
from load_kit import LONGEST_WAIT_S, Stalls, wait_until
from simulated_kit import IDENTITY
from socket_kit import kept_port, serving

from benchwatch.bus.framing import Framing, one_line_end
from benchwatch.bus.hislip import HislipWire
from benchwatch.bus.vxi11 import Vxi11Wire
from benchwatch.errors import ConnectionFailed, LinkLost, ReplyTimeout
from benchwatch_simulators.bench.simulated_bench import open_bench

BUSES = ["hislip", "vxi11"]


@pytest.fixture(params=BUSES)
def bench(request):
    """Serve a bench on each bus in turn."""
    with open_bench(request.param, seed=1) as bench:
        yield bench


@pytest.fixture
def link(bench):
    """Open a guarded session to it."""
    with linked(bench) as link:
        yield link


def test_the_bus_has_its_own_wire(bench, link):
    """And not the slow one for any backend."""
    assert type(link._wire) is {"hislip": HislipWire, "vxi11": Vxi11Wire}[bench.name]


def test_queries_are_answered(link):
    """Short queries, a reading with a gate, and a query without an answer."""
    link.write("FREQ:APER 0.1")

    assert link.query("*IDN?", LONGEST_WAIT_S) == IDENTITY
    assert float(link.query("READ?", LONGEST_WAIT_S)) == pytest.approx(10_000_000.37, abs=0.05)
    assert link.query("FREQ:APER?", LONGEST_WAIT_S) == "+1.000000E-01"


def test_a_late_reply_is_never_the_answer_to_the_next_query(link):
    """Neither when it comes before the next query, nor when it comes after."""
    assert after_late_replies(link) == ("1", IDENTITY)


@pytest.mark.parametrize("kind", ["cut", "garbage", "huge", "doubled", "wrong-answer"])
def test_after_a_bad_answer_the_next_is_right(bench, link, kind):
    """The rest of a bad answer is not joined to the next one."""
    answer, then = after_a_bad_answer(bench, link, kind)

    assert answer != "AC" or kind == "doubled"
    assert then == ["1", IDENTITY]


def test_a_trickle_is_put_together_and_keeps_the_deadline(bench, link):
    """One byte at a time: a whole answer within the timeout, else none."""
    link.query("*IDN?", LONGEST_WAIT_S)
    bench.fault("main", "slow", 0.4)
    whole = link.query("FREQ:APER?", LONGEST_WAIT_S)
    bench.fault("main", "slow", 3.0)
    with Stalls() as stalls:
        began = time.monotonic()
        with pytest.raises(ReplyTimeout):
            link.query("FREQ:APER?", 0.3)
        took_s = stalls.since(began)

    assert whole == "+2.500000E-01"
    assert took_s < 0.4
    assert link.query("*IDN?", LONGEST_WAIT_S) == IDENTITY


def test_a_peer_that_closes_is_seen_at_once_and_costs_no_cpu(bench, link):
    """During a wait; PyVISA-py alone spins on VXI-11 for its whole timeout."""
    link.query("*IDN?", LONGEST_WAIT_S)
    link.write("FREQ:APER 10;:READ?")
    closed = hung_up_soon(bench)
    cpu_s = time.thread_time()

    with Stalls() as stalls:
        with pytest.raises(LinkLost, match="closed the connection") as caught:
            link.read(10.0)
        cpu_s = time.thread_time() - cpu_s

        assert stalls.since(closed[0]) < 0.1
        assert cpu_s < 0.05
        assert not isinstance(caught.value, ReplyTimeout)
        began = time.monotonic()
        link.close()
        assert stalls.since(began) < 0.2


def test_the_front_panel_returns_to_local(bench):
    """By the local function of the bus, when the link is closed."""
    link = open_link(bench.resources["main"])
    link.query("*IDN?", LONGEST_WAIT_S)
    remote = bench.is_remote("main")
    link.close()

    assert remote
    assert wait_until(lambda: not bench.is_remote("main"))


def test_reopening_leaves_nothing_behind(bench):
    """PyVISA-py keeps every handle that it ever opened, unless the handle is removed."""
    assert sessions_left_by(bench) == 0


@pytest.mark.parametrize(
    "resource", ["TCPIP0::127.0.0.1::hislip0,{}::INSTR", "TCPIP0::127.0.0.1,{}::inst0::INSTR"]
)
def test_a_refused_port_is_a_sentence(resource):
    """PyVISA-py reports it in two different ways."""
    with kept_port() as port, pytest.raises(ConnectionFailed, match="can't open") as caught:
        open_link(resource.format(port))

    assert "nothing listens on that port" in str(caught.value)


@pytest.mark.parametrize("resource", ["GPIB0::3::INSTR", "USB0::1::2::SN::INSTR"])
def test_a_bus_without_its_library_is_a_sentence(
    resource: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sentence names what to install, or another VISA library."""
    import pyvisa

    def refuse(*_: object, **__: object) -> None:
        raise ValueError("Please install this or that to use this resource type.")

    monkeypatch.setattr(pyvisa.ResourceManager, "open_resource", refuse)

    with pytest.raises(ConnectionFailed, match="lacks a library for this bus") as caught:
        open_link(resource)

    assert "--backend @ivi" in str(caught.value)


# ------------------------------------------------------------------ faulty peers


def opened_hislip(peer: socket.socket, header: bytes) -> bool:
    """Answer messages that open and end a HiSLIP session; return False for another `header`."""
    kind, length = header[2], struct.unpack("!Q", header[8:])[0]
    peer.recv(length)
    if kind == 0:
        peer.sendall(struct.pack("!2sBBIQ", b"HS", 1, 0, 0x01000001, 0))
    elif kind == 17:
        peer.sendall(struct.pack("!2sBBIQ", b"HS", 18, 0, 0, 0))
    elif kind == 15:
        peer.sendall(struct.pack("!2sBBIQQ", b"HS", 16, 0, 0, 8, 1 << 20))
    elif kind == 10:
        peer.sendall(struct.pack("!2sBBIQ", b"HS", 11, 0, 0, 0))
    else:
        return False
    return True


def hislip_peer(answers):
    """Return a server that opens a session, and answers messages with the bytes of `answers`."""
    coming = iter(answers)

    def serve(peer: socket.socket) -> None:
        while header := peer.recv(16, socket.MSG_WAITALL):
            if not opened_hislip(peer, header):
                identifier = struct.unpack("!I", header[4:8])[0]
                peer.sendall(next(coming)(identifier))

    return serve


def message(data: bytes, *, kind: int = 7, shift: int = 0):
    """Return a function that makes the bytes of one HiSLIP message."""
    return lambda number: (
        struct.pack("!2sBBIQ", b"HS", kind, 0, (number + shift) & 0xFFFFFFFF, len(data)) + data
    )


def test_a_message_without_its_usual_line_end_is_cut():
    """The end of the message is marked, and its number would parse: it is not used."""
    peer = hislip_peer([message(b"+1.00000002E+07\n"), message(b"+1.000000"), message(b"7\n")])
    with serving(peer) as server:
        link = open_link(f"TCPIP0::127.0.0.1::hislip0,{server.port}::INSTR")
        replies = [link.query("READ?", LONGEST_WAIT_S) for _ in range(3)]
        link.close()

    assert replies == ["+1.00000002E+07", "+1.000000\x18", "7"]


def test_an_instrument_that_never_ends_its_lines_is_understood():
    """END alone is a terminator too (IEEE 488.2 7.5)."""
    with serving(hislip_peer([message(b"1"), message(b"2")])) as server:
        link = open_link(f"TCPIP0::127.0.0.1::hislip0,{server.port}::INSTR")
        replies = [link.query("READ?", LONGEST_WAIT_S) for _ in range(2)]
        link.close()

    assert replies == ["1", "2"]


def test_messages_that_answer_nothing_are_dropped():
    """A wrong number, another kind, an empty one, a second answer to the same query."""

    def strange(number: int) -> bytes:
        right = message(b"right\n")(number)
        return b"".join(
            (
                message(b"wrong\n", shift=-2)(number),
                message(b"what?", kind=13)(number),
                message(b"", kind=6)(number),
                right,
                right,
            )
        )

    with serving(hislip_peer([strange, strange])) as server:
        link = open_link(f"TCPIP0::127.0.0.1::hislip0,{server.port}::INSTR")
        replies = [link.query("READ?", LONGEST_WAIT_S) for _ in range(2)]
        with pytest.raises(ReplyTimeout):
            link.read(0.1)
        link.close()

    assert replies == ["right", "right"]


def test_a_header_that_is_no_hislip_ends_the_link():
    """After such a header no later message can be found."""
    with serving(hislip_peer([lambda _: b"HTTP/1.1 400 Bad Request\r\n\r\n"])) as server:
        link = open_link(f"TCPIP0::127.0.0.1::hislip0,{server.port}::INSTR")
        with pytest.raises(LinkLost, match="is no HiSLIP"):
            link.query("READ?", LONGEST_WAIT_S)
        link.close()


def vxi11_peer(after_open):
    """Return a server that opens a link, and then calls `after_open` with the connection."""

    def serve(peer: socket.socket) -> None:
        size = struct.unpack(">I", peer.recv(4, socket.MSG_WAITALL))[0] & 0x7FFFFFFF
        xid = peer.recv(size, socket.MSG_WAITALL)[:4]
        reply = xid + struct.pack(">9I", 1, 0, 0, 0, 0, 0, 1, 0, 1024)
        peer.sendall(struct.pack(">I", len(reply) | 0x80000000) + reply)
        after_open(peer)

    return serve


def test_a_mute_vxi11_peer_does_not_hold_up_closing():
    """PyVISA-py waits 5 s for its answer."""
    gone = threading.Event()
    with serving(vxi11_peer(lambda _: gone.wait(20))) as server:
        link = open_link(f"TCPIP0::127.0.0.1,{server.port}::inst0::INSTR")
        with Stalls() as stalls:
            began = time.monotonic()
            link.close()
            took_s = stalls.since(began)
        gone.set()

    assert took_s < 0.3


def test_a_vxi11_peer_that_sends_garbage_is_lost():
    """Garbage is no reply to a call; the error is the program's own."""

    def garbage(peer: socket.socket) -> None:
        peer.recv(1000)
        peer.sendall(struct.pack(">I", 0x80000008) + b"garbage!")

    with serving(vxi11_peer(garbage)) as server:
        link = open_link(f"TCPIP0::127.0.0.1,{server.port}::inst0::INSTR")
        with pytest.raises(LinkLost):
            link.query("READ?", 1.0)
        link.close()


# ------------------------------------------------------------------ lines from messages


def test_an_unfinished_message_is_never_joined_to_the_next():
    """Its bytes end in CAN (ISO 646: the data before are in error)."""
    framing = Framing()
    first = framing.begin() + framing.part(b"1000", ended=False)
    second = framing.begin() + framing.part(b"7\n", ended=True)

    assert (first + second).split(b"\n") == [b"1000\x18", b"7", b""]


@given(st.lists(st.sampled_from([b"a", b"bc", b"\r", b"\n", b"\r\n", b""]), max_size=20))
def test_line_ends_do_not_depend_on_how_the_bytes_arrive(pieces):
    """Pieces give the same lines as the whole; none is empty."""
    ended, out = True, b""
    for piece in pieces:
        data, ended = one_line_end(piece, after_end=ended)
        out += data
    whole, _ = one_line_end(b"".join(pieces), after_end=True)

    assert out == whole
    assert b"\n\n" not in out
    assert [line for line in out.split(b"\n") if line] == b"".join(pieces).split()
