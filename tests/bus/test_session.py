"""The guarded session over real sockets, with peers that misbehave in every known way.

The effect of each peer on a plain PyVISA session was measured with PyVISA 1.16.2 and PyVISA-py
0.8.1; issues on that: pyvisa-py #376 (old reply after a timeout), #637 (a refused port opens), #258
(reopening).
"""

import contextlib
import itertools
import socket
import threading
import time
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from link_kit import open_link
from load_kit import LONGEST_WAIT_S, Stalls, wait_until
from socket_kit import answering, kept_port, serving

from benchwatch.bus import opening, session
from benchwatch.bus.session import Session
from benchwatch.clock import SystemClock
from benchwatch.errors import ConnectionFailed, LinkLost, ReplyError, ReplyTimeout, UsageError


def echo(command: str) -> bytes:
    """Answer each query with itself."""
    return f"{command}\r\n".encode()


def test_a_query_gets_its_reply_without_terminators() -> None:
    """The usual case, with a peer that ends its lines with CR LF."""
    with serving(answering(echo)) as server:
        link = open_link(server.resource)

        reply = link.query("*IDN?", LONGEST_WAIT_S)

        link.close()
    assert reply == "*IDN?"


def test_a_refused_port_is_a_sentence_at_open() -> None:
    """PyVISA-py alone opens it, and fails at the first write."""
    with (
        kept_port() as port,
        pytest.raises(ConnectionFailed, match="nothing listens on that port"),
    ):
        open_link(f"TCPIP0::127.0.0.1::{port}::SOCKET")


@contextlib.contextmanager
def absent_host() -> Iterator[str]:
    """Make a listener whose queue is full: it drops the handshake as an absent host does."""
    with socket.socket() as listener, socket.socket() as first, socket.socket() as second:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        port = listener.getsockname()[1]
        for filler in (first, second):
            filler.setblocking(False)
            filler.connect_ex(("127.0.0.1", port))
        yield f"TCPIP0::127.0.0.1::{port}::SOCKET"


@pytest.mark.parametrize("cancel", [None, threading.Event()])
def test_a_host_that_does_not_answer_is_given_up_in_time(cancel: threading.Event | None) -> None:
    """With a sentence, with or without a way to cancel."""
    with absent_host() as resource, Stalls() as stalls:
        began = time.monotonic()

        with pytest.raises(ConnectionFailed, match="the host doesn't answer"):
            open_link(resource, timeout_s=0.3, cancel=cancel)

        assert stalls.since(began) < 1.0


def test_a_stop_ends_the_wait_for_a_host_that_does_not_answer() -> None:
    """Quitting does not wait for the connection."""
    cancel = threading.Event()
    with absent_host() as resource, Stalls() as stalls:
        threading.Timer(0.05, cancel.set).start()
        began = time.monotonic()

        with pytest.raises(LinkLost, match="stopped"):
            open_link(resource, timeout_s=1.0, cancel=cancel)

        assert stalls.since(began) < 0.4


def test_a_connection_that_comes_after_the_stop_is_closed() -> None:
    """Nothing stays open."""
    closed, go, cancel = threading.Event(), threading.Event(), threading.Event()

    class LateWire(ScriptedWire):
        def close(self) -> None:
            closed.set()

    def open_late() -> ScriptedWire:
        go.wait(LONGEST_WAIT_S)
        return LateWire([])

    waiting = opening._Opening("R", open_late)
    cancel.set()
    with pytest.raises(LinkLost):
        waiting.result(cancel)
    go.set()

    assert closed.wait(LONGEST_WAIT_S)


def test_a_peer_that_closes_is_seen_at_once_and_costs_no_cpu() -> None:
    """PyVISA-py alone spins until its timeout; the limit is 100 ms."""
    closed_at: list[float] = []
    asked = threading.Event()

    def serve(peer: socket.socket) -> None:
        peer.recv(100)
        asked.wait(0.3)  # never set: the wait is in progress when the peer closes
        closed_at.append(time.monotonic())
        peer.shutdown(socket.SHUT_RDWR)

    with serving(serve) as server, Stalls() as stalls:
        link = open_link(server.resource)
        cpu = time.thread_time()

        with pytest.raises(LinkLost, match="closed the connection") as caught:
            link.query("READ?", 10.0)

        seen_after = stalls.since(closed_at[0])
        link.close()
    assert not isinstance(caught.value, ReplyTimeout)
    assert seen_after < 0.1
    assert time.thread_time() - cpu < 0.05


def test_a_late_reply_is_never_the_answer_to_the_next_query() -> None:
    """PyVISA-py alone stays one answer behind for ever (pyvisa-py #376)."""
    go, sent = threading.Event(), threading.Event()

    def serve(peer: socket.socket) -> None:
        peer.recv(100)
        go.wait(LONGEST_WAIT_S)
        peer.sendall(b"late\n")
        sent.set()
        for number in range(3):
            peer.recv(100)
            peer.sendall(b"%d\n" % number)

    with serving(serve) as server:
        link = open_link(server.resource)
        with pytest.raises(ReplyTimeout, match=r"no reply within 0\.05 s"):
            link.query("READ?", 0.05)
        go.set()
        sent.wait(LONGEST_WAIT_S)

        answers = [link.query("READ?", LONGEST_WAIT_S) for _ in range(3)]

        link.close()
    assert answers == ["0", "1", "2"]


def test_a_doubled_reply_is_used_once() -> None:
    """The second copy is dropped before the next query, not taken for its answer."""
    number = iter(range(100))

    def answer(_: str) -> bytes:
        reply = b"%d\n" % next(number)
        return reply * 2

    with serving(answering(answer)) as server:
        link = open_link(server.resource)

        answers = [link.query("READ?", LONGEST_WAIT_S) for _ in range(4)]

        link.close()
    assert answers == ["0", "1", "2", "3"]


def test_the_tail_of_a_cut_line_is_no_line() -> None:
    """The tail of 10000000.5 is a wrong number."""
    go = threading.Event()

    def serve(peer: socket.socket) -> None:
        peer.sendall(b"10000")
        go.wait(LONGEST_WAIT_S)
        peer.sendall(b"000.5\n10000000.7\n")
        peer.recv(100)

    with serving(serve) as server:
        link = open_link(server.resource)
        assert wait_until(link._wire.has_input)
        with pytest.raises(ReplyTimeout):
            link.read(0.05)
        go.set()

        line = link.read(LONGEST_WAIT_S)

        link.close()
    assert line == "10000000.7"


def test_a_cut_line_is_dropped_before_the_next_query_too() -> None:
    """The tail arrives while input is discarded before the next query."""
    go = threading.Event()

    def serve(peer: socket.socket) -> None:
        peer.recv(100)
        peer.sendall(b"10000")
        go.wait(LONGEST_WAIT_S)
        peer.sendall(b"000.5\n")
        peer.recv(100)
        peer.sendall(b"10000000.7\n")

    with serving(serve) as server:
        link = open_link(server.resource)
        link.write("READ?")
        assert wait_until(link._wire.has_input)
        with pytest.raises(ReplyTimeout):
            link.read(0.05)
        go.set()

        line = link.query("READ?", LONGEST_WAIT_S)

        link.close()
    assert line == "10000000.7"


def test_a_greeting_is_not_the_answer_to_the_first_query() -> None:
    """Some terminal servers send a greeting."""
    greeted = threading.Event()

    def serve(peer: socket.socket) -> None:
        peer.sendall(b"Welcome to port 3\r\n")
        greeted.set()
        answering(echo)(peer)

    with serving(serve) as server:
        link = open_link(server.resource)
        assert greeted.wait(LONGEST_WAIT_S)

        assert link.query("*IDN?", LONGEST_WAIT_S) == "*IDN?"
        link.close()


def test_a_slow_trickle_keeps_the_deadline() -> None:
    """Each byte restarts PyVISA-py's own timeout; the session's is for the whole line."""

    def serve(peer: socket.socket) -> None:
        while True:
            peer.sendall(b"1")
            time.sleep(0.02)

    with serving(serve) as server, Stalls() as stalls:
        link = open_link(server.resource)
        began = time.monotonic()

        with pytest.raises(ReplyTimeout):
            link.read(0.3)

        lasted = time.monotonic() - began
        lasted_at_most = stalls.since(began)
        link.close()
    assert lasted >= 0.3
    assert lasted_at_most < 0.45


def test_garbage_is_a_line_and_no_exception() -> None:
    """Bytes that are no text reach the parser as characters that no number holds."""
    with serving(answering(lambda _: b"\xff\xfe\x00\x1b[31m\r\n")) as server:
        link = open_link(server.resource)

        reply = link.query("READ?", LONGEST_WAIT_S)

        link.close()
    assert reply == "\xff\xfe\x00\x1b[31m"


@pytest.mark.parametrize("size", [5_000, 1_000_000])
def test_a_huge_line_is_refused_and_the_next_reply_is_right(size: int) -> None:
    """Memory stays bounded, and the rest of the line is not taken for a reply."""
    replies = iter([b"9" * size + b"\n", b"1\n"])

    with serving(answering(lambda _: next(replies))) as server:
        link = open_link(server.resource)
        with pytest.raises(ReplyError, match="more than 4096 bytes"):
            link.query("READ?", LONGEST_WAIT_S)

        reply = link.query("READ?", LONGEST_WAIT_S)

        link.close()
    assert reply == "1"


def test_a_peer_that_never_falls_silent_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """A talk-only counter can't be queried; the sentence names a driver for it."""
    monkeypatch.setattr(session, "DRAIN_LIMIT_S", 0.1)

    def serve(peer: socket.socket) -> None:
        while True:  # it sends as much as the connection takes, so that some always waits
            peer.sendall(b"10000000.5\n" * 1000)

    with serving(serve) as server:
        link = open_link(server.resource)
        link.read(LONGEST_WAIT_S)

        with pytest.raises(LinkLost, match="talk-only"):
            link.discard_input()

        link.close()


def test_a_stop_ends_a_long_wait() -> None:
    """A gate of 100 s does not delay quitting."""
    cancel = threading.Event()
    with serving(answering(lambda _: None)) as server, Stalls() as stalls:
        link = open_link(server.resource, cancel=cancel)
        threading.Timer(0.05, cancel.set).start()
        began = time.monotonic()

        with pytest.raises(LinkLost, match="stopped"):
            link.query("READ?", 100.0)

        took = stalls.since(began)
        link.close()
    assert took < 0.4


def test_a_link_belongs_to_one_thread() -> None:
    """Two threads on one instrument would get each other's answers (pyvisa #726)."""
    with serving(answering(echo)) as server:
        link = open_link(server.resource)
        link.query("mine?", LONGEST_WAIT_S)
        caught: list[BaseException] = []

        def intrude() -> None:
            try:
                link.query("yours?", LONGEST_WAIT_S)
            except AssertionError as error:
                caught.append(error)

        intruder = threading.Thread(target=intrude)
        intruder.start()
        intruder.join()

        link.close()
    assert len(caught) == 1


def test_the_socket_is_quick_and_kept_alive() -> None:
    """Bytes are sent at once, and an idle router's silent drop is noticed."""
    with serving(answering(echo)) as server:
        link = open_link(server.resource)

        sock: socket.socket = link._wire._socket  # type: ignore[attr-defined]

        assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        assert sock.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        link.close()


def test_reopening_leaves_nothing_behind() -> None:
    """PyVISA-py keeps every handle that it ever opened, unless the handle is removed."""
    import pyvisa

    sessions = pyvisa.ResourceManager("@py").visalib.sessions  # type: ignore[attr-defined]
    before = len(sessions)

    with serving(answering(echo)) as server:
        for _ in range(20):
            link = open_link(server.resource)
            link.query("*IDN?", LONGEST_WAIT_S)
            link.close()
            link.close()

    assert len(sessions) == before


@pytest.mark.parametrize(
    ("resource", "expected"),
    [
        ("", "no resource string"),
        ("127.0.0.1:5025", "no resource string"),
        ("TCPIP0::127.0.0.1::port::SOCKET", "'port' is no port"),
        ("TCPIP0::127.0.0.1::0::SOCKET", "from 1 to 65535"),
        ("TCPIP0::127.0.0.1::70000::SOCKET", "from 1 to 65535"),
        ("TCPIP0::::5025::SOCKET", "no resource string"),
        ("TCPIP0::::1::5025::SOCKET", "no resource string"),
        ("TCPIP0::a host::5025::SOCKET", "no host name"),
        ("NONSENSE0::1::INSTR", "no resource string"),
        ("\x1b[31mTCPIP0", "no resource string"),
        ("VXI0::1::INSTR", "can't be opened with the backend"),
    ],
)
def test_a_bad_resource_string_is_refused_with_an_example(resource: str, expected: str) -> None:
    """Nothing is opened, and escapes are not repeated."""
    with pytest.raises(UsageError, match=expected) as caught:
        open_link(resource)

    assert "TCPIP0::192.168.1.20::5025::SOCKET" in str(caught.value)
    assert str(caught.value).isprintable()


def test_small_letters_are_understood() -> None:
    """PyVISA-py alone refuses them."""
    with serving(answering(echo)) as server:
        link = open_link(server.resource.lower())

        assert link.query("*IDN?", LONGEST_WAIT_S) == "*IDN?"
        link.close()


@pytest.mark.parametrize("command", ["FREQ\nRST", "RST\r", "GÄTE?"])
def test_only_one_plain_line_is_sent(command: str) -> None:
    """A line break inside a command would be a second command."""
    with serving(answering(echo)) as server:
        link = open_link(server.resource)

        with pytest.raises(UsageError, match="can't be sent"):
            link.write(command)

        link.close()


@pytest.mark.parametrize("backend", ["@none-of-that-name", "/nowhere/device.yaml@sim"])
def test_a_backend_that_is_not_there_is_a_sentence(backend: str) -> None:
    """PyVISA raises a ValueError, or any error of the backend's loader."""
    with pytest.raises(UsageError, match="backend"):
        open_link("TCPIP0::127.0.0.1::5025::SOCKET", backend=backend)


class ScriptedWire:
    """Returns bytes in the given chunks, then nothing."""

    resource = "TCPIP0::127.0.0.1::1::SOCKET"
    message_based = honours_timeout = never_duplicates = False

    def __init__(self, chunks: list[bytes]) -> None:
        self._chunks = list(chunks)

    def receive(self, timeout_s: float) -> bytes:
        """Return the next chunk."""
        return self._chunks.pop(0) if self._chunks else b""

    def has_input(self) -> bool:
        """Return whether there is another chunk."""
        return bool(self._chunks)

    def send(self, data: bytes) -> None:
        """Do nothing."""

    def close(self) -> None:
        """Do nothing."""


@given(
    lines=st.lists(st.text(st.characters(codec="latin-1", exclude_characters="\n\r"))),
    cuts=st.lists(st.integers(0, 200)),
)
def test_lines_do_not_depend_on_how_the_bytes_arrive(lines: list[str], cuts: list[int]) -> None:
    """Any division of the stream into packets gives the same lines."""
    stream = "".join(f"{line}\n" for line in lines).encode("latin-1")
    edges = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    chunks = [stream[a:b] for a, b in itertools.pairwise(edges) if b > a]
    link = Session(ScriptedWire(chunks), clock=SystemClock())

    received = [link.read(LONGEST_WAIT_S) for _ in lines]

    assert received == lines


def test_an_answer_that_came_while_its_query_was_sent_may_have_waited_as_long() -> None:
    """The computer may stand still right after it has sent a query."""

    class Stalled(ScriptedWire):
        honours_timeout = True

        def send(self, data: bytes) -> None:
            time.sleep(0.3)
            self._chunks.append(b"1\n")

    wire = Stalled([])
    link = Session(wire, clock=SystemClock())

    assert link.query("READ?", LONGEST_WAIT_S) == "1"
    assert link.unpolled_s >= 0.3
