"""Instruments on a raw socket: one line in, at most one line out, on loopback only.

The transport is independent of SCPI: it serves anything with `execute`, and anything that
talks unasked.
"""

import socket

from benchwatch_simulators.counters.delivery import Delivery
from benchwatch_simulators.counters.instrument import CommandExecutor, Talker
from benchwatch_simulators.servers.line_splitter import LineSplitter
from benchwatch_simulators.servers.tcp_server import TcpServer


class RawSocketServer(TcpServer):
    """Serves one `CommandExecutor`, or one `Talker`, to any number of clients.

    Args:
        instrument: what answers.
        port: 0 for any free one.
        host: a loopback address.
        delivery: faults of the answers.

    Raises:
        UsageError: `host` is not loopback; a simulated bench is never put on a network.
        ConnectionFailed: the port can't be had.
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
        """Its resource string."""
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def converse(self, client: socket.socket) -> None:
        """Answer lines, or talk a line whenever there is one."""
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
