"""Serves instruments on a raw socket, on loopback only: each line has at most one answer line.

The transport is independent of SCPI: it serves any `CommandExecutor` and any `Talker`.
"""

import socket

from benchwatch_simulators.counters.delivery import Delivery
from benchwatch_simulators.counters.instrument import CommandExecutor, Talker
from benchwatch_simulators.servers.line_splitter import LineSplitter
from benchwatch_simulators.servers.tcp_server import TcpServer


class RawSocketServer(TcpServer):
    """Serves one `CommandExecutor`, or one `Talker`, to any number of clients.

    Args:
        instrument: instrument that answers.
        port: 0 for any free one.
        host: a loopback address.
        delivery: applies the faults of the answers; None: there are none.

    Raises:
        UsageError: `host` is not loopback; a simulated bench is never put on a network.
        ConnectionFailed: the port can't be used.
    """

    def __init__(
        self,
        instrument: CommandExecutor | Talker,
        port: int = 0,
        host: str = "127.0.0.1",
        delivery: Delivery | None = None,
    ) -> None:
        self._instrument = instrument
        self._delivery = delivery or Delivery()
        super().__init__(port, host)

    @property
    def resource(self) -> str:
        """The resource string."""
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def converse(self, client: socket.socket) -> None:
        """Answer the lines of one client; of a `Talker`, send every line."""
        self._delivery.faults.forget()
        if isinstance(self._instrument, Talker):
            self._talk(client, self._instrument)
            return
        splitter = LineSplitter(self._instrument)
        while chunk := client.recv(65536):
            for line in splitter.split(chunk):
                self._send(client, self._instrument.execute(line))

    def _talk(self, client: socket.socket, talker: Talker) -> None:
        number = talker.newest
        while True:
            number, line = talker.next_line(number)
            self._send(client, line)

    def _send(self, client: socket.socket, answer: str | None) -> None:
        if answer is not None:
            for part in self._delivery.parts(answer):
                client.sendall(part.data)
