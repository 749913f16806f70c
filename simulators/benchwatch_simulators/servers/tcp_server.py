"""The bases of all servers on network buses: they listen on loopback, with a thread a client."""

import contextlib
import ipaddress
import socket
import threading

from benchwatch.errors import ConnectionFailed, UsageError
from benchwatch.system.listening import take_port_alone
from benchwatch_simulators.bench_time import InstrumentClosed
from benchwatch_simulators.counters.delivery import Delivery
from benchwatch_simulators.counters.instrument import Instrument

_JOIN_S = 2.0
"""Longest wait for the end of a thread."""


class TcpServer:
    """Serves any number of clients, a thread each; a subclass serves one in `converse`.

    Args:
        port: 0 for any free one.
        host: a loopback address.

    Attributes:
        port: the port in use.

    Raises:
        UsageError: `host` is not loopback; a simulated bench is never put on a network.
        ConnectionFailed: the port can't be used.
    """

    def __init__(self, port: int = 0, host: str = "127.0.0.1") -> None:
        if not ipaddress.ip_address(host).is_loopback:
            raise UsageError(
                f"a simulated bench listens on this computer only, not on {host}. Use 127.0.0.1."
            )
        self._host = host
        self._clients: dict[socket.socket, threading.Thread] = {}
        self._lock = threading.Lock()
        self._closed = False
        self._listener = listen(host, port)
        self.port: int = self._listener.getsockname()[1]
        self._accepting = self._start_accepting()

    def converse(self, client: socket.socket) -> None:
        """Serve one client until it disconnects; runs on a thread of its own."""
        raise NotImplementedError

    @property
    def is_shared(self) -> bool:
        """Whether more than one client is connected."""
        with self._lock:
            return len(self._clients) > 1

    def close(self) -> None:
        """Stop listening, and drop every client."""
        with self._lock:
            self._closed = True
            clients = list(self._clients.items())
        self._stop_listening()
        for client, _ in clients:
            end_wait(client)
        for _, thread in clients:
            thread.join(_JOIN_S)

    def hang_up(self) -> None:
        """Drop every client, but accept new ones, as after a pulled cable."""
        with self._lock:
            clients = list(self._clients)
        for client in clients:
            end_wait(client)

    def suspend(self) -> None:
        """Stop listening and drop every client, until `resume`; the port stays taken."""
        self._stop_listening()
        self.hang_up()
        with self._lock:
            if not self._closed:
                self._listener = _bound(self._host, self.port, listens=False)

    def resume(self) -> None:
        """Listen again, on the same port."""
        with self._lock:
            if self._closed or self._accepting.is_alive():
                return
            self._listener.listen()
            self._accepting = self._start_accepting()

    power_off = suspend
    power_on = resume
    """An instrument on a network can't be reached while it is off."""

    def _start_accepting(self) -> threading.Thread:
        thread = threading.Thread(
            target=self._accept,
            args=(self._listener,),
            name=f"bench port {self.port}",
            daemon=True,
        )
        thread.start()
        return thread

    def _stop_listening(self) -> None:
        end_wait(self._listener)
        self._listener.close()
        self._accepting.join(_JOIN_S)

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                client, _ = listener.accept()
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
            self.converse(client)
        except (OSError, EOFError, InstrumentClosed):
            pass  # the client has disconnected, or the bench was closed
        finally:
            with self._lock:
                self._clients.pop(client, None)
            end_wait(client)
            client.close()


class InstrumentServer(TcpServer):
    """Serves one instrument; a subclass creates its state in `prepare`.

    Args:
        instrument: instrument that answers.
        port: 0 for any free one.
        delivery: applies the faults of the answers; None: there are none.

    Raises:
        ConnectionFailed: the port can't be used.
    """

    def __init__(
        self, instrument: Instrument, port: int = 0, delivery: Delivery | None = None
    ) -> None:
        self._instrument = instrument
        self._delivery = delivery or Delivery()
        self.prepare()
        super().__init__(port)

    def prepare(self) -> None:
        """Create the state of the server, before it accepts the first client."""
        raise NotImplementedError


def listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens on `host` and `port` (0: any free one).

    Raises:
        ConnectionFailed: the port can't be used.
    """
    return _bound(host, port, listens=True)


def _bound(host: str, port: int, *, listens: bool) -> socket.socket:
    """Return a socket that takes `port`; clients are refused until it `listens`."""
    taken = socket.socket()
    try:
        take_port_alone(taken)
        taken.bind((host, port))
        if listens:
            taken.listen()
    except (OSError, OverflowError) as error:
        taken.close()
        raise ConnectionFailed(
            f"the simulated bench can't listen on {host} port {port}: {error}. "
            "Choose another port, or leave it out to get a free one."
        ) from error
    return taken


def receive_exactly(client: socket.socket, size: int) -> bytes:
    """Return the next `size` bytes from `client`.

    Raises:
        EOFError: the client has disconnected.
    """
    data = bytearray()
    while len(data) < size:
        chunk = client.recv(min(size - len(data), 65536))
        if not chunk:
            raise EOFError
        data += chunk
    return bytes(data)


def end_wait(blocked: socket.socket) -> None:
    """End the wait of the thread that uses this socket; that thread closes the socket."""
    with contextlib.suppress(OSError):  # no longer connected
        blocked.shutdown(socket.SHUT_RDWR)
