"""Tiny servers on loopback, each with one way of being a bad peer, and what tests share."""

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from decimal import Decimal

from benchwatch.acquire import CounterStatus
from benchwatch.reading import Gap, Mark, Reading

Serve = Callable[[socket.socket], None]
"""What is done with one accepted connection; it is closed afterwards."""


class TinyServer:
    """A listening socket on loopback that hands each connection to `serve`."""

    def __init__(self, serve: Serve, port: int = 0) -> None:
        self._serve = serve
        self._listener = socket.create_server(("127.0.0.1", port))
        self._peers: list[socket.socket] = []
        self.port: int = self._listener.getsockname()[1]
        self.connections = 0
        threading.Thread(target=self._accept, daemon=True).start()

    @property
    def resource(self) -> str:
        """Its resource string."""
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def close(self) -> None:
        """Stop listening and drop every connection at once."""
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for peer in self._peers:
            with contextlib.suppress(OSError):
                peer.shutdown(socket.SHUT_RDWR)
            peer.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = self._listener.accept()
                peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._peers.append(peer)
                self.connections += 1
                threading.Thread(target=self._attend, args=(peer,), daemon=True).start()

    def _attend(self, peer: socket.socket) -> None:
        with contextlib.suppress(OSError), peer:
            self._serve(peer)


@contextlib.contextmanager
def serving(serve: Serve, port: int = 0) -> Iterator[TinyServer]:
    """Serve while the block runs."""
    server = TinyServer(serve, port)
    try:
        yield server
    finally:
        server.close()


def answering(answer: Callable[[str], bytes | None]) -> Serve:
    """A peer that answers each command line with the bytes `answer` gives, or with nothing."""

    def serve(peer: socket.socket) -> None:
        with peer.makefile("rb") as lines:
            for line in lines:
                reply = answer(line.decode("latin-1").rstrip("\r\n"))
                if reply is not None:
                    peer.sendall(reply)

    return serve


def free_port() -> int:
    """A port on which nothing listens."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
    return port


COUNTER = {
    "*IDN?": "Tide Works,Counter A,0017,1.2",
    "*ESE?": "0",
    "FREQ:APER?": "+1.00000000E+000",
    "ROSC:SOUR?": "EXT",
    "INIT:CONT?": "0",
    "SYST:ERR?": '0,"No error"',
}
"""What a well-behaved counter answers besides its readings; the makers are invented."""


class Notebook:
    """Collects what an acquisition says, and stops it after enough readings."""

    def __init__(self, enough: int) -> None:
        self.events: list[Reading | Gap | Mark] = []
        self.connections: list[CounterStatus] = []
        self.stop: Callable[[], None] = lambda: None
        self._enough = enough

    @property
    def readings(self) -> list[Reading]:
        """The readings among the events."""
        return [event for event in self.events if isinstance(event, Reading)]

    @property
    def gaps(self) -> list[Gap]:
        """The gaps among the events."""
        return [event for event in self.events if isinstance(event, Gap)]

    @property
    def marks(self) -> list[Mark]:
        """The marks among the events."""
        return [event for event in self.events if isinstance(event, Mark)]

    @property
    def states(self) -> list[str]:
        """Link states in the order in which they were entered."""
        states: list[str] = []
        for connection in self.connections:
            if not states or states[-1] != connection.link.state:
                states.append(connection.link.state)
        return states

    def take(self, event: Reading | Gap | Mark) -> None:
        """Write an event down."""
        self.events.append(event)
        if len(self.readings) >= self._enough:
            self.stop()

    def link_changed(self, connection: CounterStatus) -> None:
        """Write a connection down."""
        self.connections.append(connection)


TEN_MHZ = Decimal(10_000_000)
