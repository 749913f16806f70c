"""Servers on plain sockets whose answers a test chooses, and a count of connections to them."""

import contextlib
import os
import random
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

Serve = Callable[[socket.socket], None]
"""Serves one accepted connection, which is closed afterwards."""


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
    """Return a `Serve` that answers each line with the bytes of `answer`, or not where None."""

    def serve(peer: socket.socket) -> None:
        with peer.makefile("rb") as lines:
            for line in lines:
                reply = answer(line.decode("latin-1").rstrip("\r\n"))
                if reply is not None:
                    peer.sendall(reply)

    return serve


@contextlib.contextmanager
def kept_port() -> Iterator[int]:
    """Yield a port on which nothing listens, and which no other test gets meanwhile.

    The test, or a server that it starts, may listen there, again and again (socket(7),
    SO_REUSEADDR: unless another one listens; all servers set it). The system gives it to no client
    by itself: a client that tries again and again to connect to a port which the system gives to
    clients may get just this port, and is then connected to itself.
    """
    with socket.socket() as holder:
        while True:
            # ip(7): clients get 32768 to 60999
            port = random.SystemRandom().randrange(15_000, 32_000)
            with contextlib.suppress(OSError):
                holder.bind(("127.0.0.1", port))
                break
        # Only now, as two that both have the option would both be given the port.
        holder.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        yield port


def connections_to(port: int) -> int:
    """Count the TCP connections of this host that are established to `port` on loopback."""
    with open("/proc/net/tcp", encoding="ascii") as table:  # noqa: PTH123 - no path of ours
        rows = [line.split() for line in table.readlines()[1:]]
    return sum(row[2].endswith(f":{port:04X}") and row[3] == "01" for row in rows)


RETRY_S = 0.02


class PipeWriter:
    """Copies bytes from a TCP port into a named pipe.

    The pipe is closed with the connection, even in the middle of a line, and opened again when the
    counter can be reached and the pipe has a reader.
    """

    def __init__(self, port: int, path: Path) -> None:
        os.mkfifo(path)
        self._port = port
        self._path = path
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop writing, and remove the pipe."""
        self._stopping.set()
        self._thread.join(5)
        self._path.unlink()

    def _run(self) -> None:
        while not self._stopping.is_set():
            with contextlib.suppress(OSError):
                self._copy()
            time.sleep(RETRY_S)

    def _copy(self) -> None:
        pipe = os.open(self._path, os.O_WRONLY | os.O_NONBLOCK)  # OSError while it has no reader
        try:
            os.set_blocking(pipe, True)
            with socket.create_connection(("127.0.0.1", self._port)) as counter:
                counter.settimeout(RETRY_S)
                while not self._stopping.is_set():
                    with contextlib.suppress(TimeoutError):
                        data = counter.recv(65536)
                        if not data:
                            return
                        os.write(pipe, data)
        finally:
            os.close(pipe)
