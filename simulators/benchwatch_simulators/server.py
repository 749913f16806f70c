"""Instruments on a raw socket: one line in, at most one line out, on loopback only.

The transport knows nothing of SCPI: it serves anything with `execute`. Other transports can
stand beside it.
"""

import contextlib
import ipaddress
import socket
import threading
from typing import Protocol

from benchwatch.errors import ConnectionFailed, UsageError
from benchwatch_simulators.scpi import InstrumentClosed

_LONGEST_LINE = 4096
_CHUNK = 65536
_JOIN_S = 2.0


class Executes(Protocol):
    """What a line server serves."""

    def execute(self, message: str) -> str | None:
        """Execute one line; return the answer line or None."""

    def overrun(self) -> None:
        """A line was longer than any buffer and has been dropped."""


class LineServer:
    """Serves one `Executes` to any number of clients, a thread each.

    Args:
        instrument: what answers.
        port: 0 for any free one.
        host: a loopback address.

    Raises:
        UsageError: `host` is not loopback; a simulated bench is never put on a network.
        ConnectionFailed: the port can't be had.
    """

    def __init__(self, instrument: Executes, port: int = 0, host: str = "127.0.0.1") -> None:
        if not ipaddress.ip_address(host).is_loopback:
            raise UsageError(
                f"a simulated bench listens on this computer only, not on {host}. Use 127.0.0.1."
            )
        self._instrument = instrument
        self._listener = _listen(host, port)
        self._clients: dict[socket.socket, threading.Thread] = {}
        self._lock = threading.Lock()
        self._closed = False
        self.port: int = self._listener.getsockname()[1]
        self._accepting = threading.Thread(
            target=self._accept, name=f"bench port {self.port}", daemon=True
        )
        self._accepting.start()

    def close(self) -> None:
        """Stop listening and hang up on every client."""
        with self._lock:
            self._closed = True
            clients = list(self._clients.items())
        _wake(self._listener)
        self._listener.close()
        for client, _ in clients:
            _wake(client)
        self._accepting.join(_JOIN_S)
        for _, thread in clients:
            thread.join(_JOIN_S)

    def hang_up(self) -> None:
        """Drop every client, but stay open for the next: a pulled cable."""
        with self._lock:
            clients = list(self._clients)
        for client in clients:
            _wake(client)

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            thread = threading.Thread(
                target=self._serve, args=(client,), name=f"bench client {self.port}", daemon=True
            )
            with self._lock:
                if self._closed:
                    client.close()
                    return
                self._clients[client] = thread
            thread.start()

    def _serve(self, client: socket.socket) -> None:
        try:
            self._converse(client)
        except (OSError, InstrumentClosed):
            pass  # the client or the bench has gone; either ends the conversation
        finally:
            with self._lock:
                self._clients.pop(client, None)
            client.close()

    def _converse(self, client: socket.socket) -> None:
        pending = b""
        dropping = False
        while chunk := client.recv(_CHUNK):
            *lines, pending = (pending + chunk).split(b"\n")
            for line in lines:
                if not dropping:
                    self._answer(client, line)
                dropping = False
            if len(pending) > _LONGEST_LINE:
                if not dropping:
                    self._instrument.overrun()
                pending, dropping = b"", True

    def _answer(self, client: socket.socket, line: bytes) -> None:
        if len(line) > _LONGEST_LINE:
            self._instrument.overrun()
            return
        answer = self._instrument.execute(line.decode("latin-1").strip())
        if answer is not None:
            client.sendall(answer.encode("latin-1", "replace") + b"\n")


def _listen(host: str, port: int) -> socket.socket:
    listener = socket.socket()
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen()
    except (OSError, OverflowError) as error:
        listener.close()
        raise ConnectionFailed(
            f"the simulated bench can't listen on {host} port {port}: {error}. "
            "Choose another port, or leave it out to get a free one."
        ) from error
    return listener


def _wake(blocked: socket.socket) -> None:
    """End whatever a thread is waiting for on this socket; that thread closes it."""
    with contextlib.suppress(OSError):  # it was not connected any more
        blocked.shutdown(socket.SHUT_RDWR)
