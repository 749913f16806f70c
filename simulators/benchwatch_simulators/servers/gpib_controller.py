"""Serves counters on a GPIB behind a network controller, on loopback only.

Commands of the controller are lines that begin with ``++``; it has those that such controllers
have in common, from memory. In data an escape precedes each line end, escape or plus.
"""

import socket
import threading
from collections.abc import Callable, Iterator

from benchwatch_simulators.counters.delivery import Delivery
from benchwatch_simulators.counters.instrument import Instrument
from benchwatch_simulators.servers.line_splitter import LONGEST_LINE_BYTES
from benchwatch_simulators.servers.message_exchange import MessageExchange
from benchwatch_simulators.servers.tcp_server import TcpServer

CONTROLLER_VERSION = "SIMULATED GPIB CONTROLLER 1.0"
HIGHEST_ADDRESS = 30

_ESCAPE, _LINE_ENDS = 0x1B, b"\r\n"
_SETTINGS = {
    "auto": 0, "eoi": 1, "eos": 0, "eot_char": 0, "eot_enable": 0, "mode": 1, "read_tmo_ms": 500,
    "savecfg": 0,
}  # fmt: skip


class CommandLines:
    """Splits the bytes of a client into lines, and removes the escapes."""

    def __init__(self) -> None:
        self._line = bytearray()
        self._escaped = False
        self._plain_pluses = 0

    def split(self, chunk: bytes) -> Iterator[tuple[bool, str]]:
        """Yield (whether it is a command of the controller, text) for each complete line."""
        for byte in chunk:
            if self._escaped:
                self._escaped = False
                self._line.append(byte)
            elif byte == _ESCAPE:
                self._escaped = True
            elif byte in _LINE_ENDS:
                if self._line:
                    yield self._plain_pluses == 2, self._line.decode("latin-1")
                self._line.clear()
                self._plain_pluses = 0
            else:
                if byte == ord("+") and len(self._line) == self._plain_pluses < 2:
                    self._plain_pluses += 1
                self._line.append(byte)
                del self._line[LONGEST_LINE_BYTES:]


class GpibController(TcpServer):
    """One controller and the instruments on its bus.

    Args:
        port: 0 for any free one.

    Raises:
        ConnectionFailed: the port can't be used.
    """

    def __init__(self, port: int = 0) -> None:
        self._bus: dict[int, MessageExchange] = {}
        self._bus_lock = threading.Lock()
        self._address = 0
        self._settings = dict(_SETTINGS)
        super().__init__(port)

    def connect(self, address: int | None, exchange: MessageExchange) -> int:
        """Connect an instrument at `address` (None: the next free one); return its address."""
        if address is None:
            address = next(n for n in range(1, HIGHEST_ADDRESS + 1) if n not in self._bus)
        self._bus[address] = exchange
        return address

    def converse(self, client: socket.socket) -> None:
        """Execute the lines of one client."""
        if not self.is_shared:
            for exchange in self._bus.values():
                exchange.abandon()
        lines = CommandLines()
        while chunk := client.recv(4096):
            for is_command, text in lines.split(chunk):
                with self._bus_lock:
                    if is_command:
                        self._execute(client, text[2:].split())
                    elif self._listener_at(self._address) is not None:
                        self._bus[self._address].send(text.strip())

    def _listener_at(self, address: int) -> MessageExchange | None:
        """Return the instrument at `address`; None: there is none, or it is off."""
        exchange = self._bus.get(address)
        return exchange if exchange is not None and exchange.is_on else None

    def _execute(self, client: socket.socket, words: list[str]) -> None:
        """Execute a command of the controller, and send the answer, if any."""
        name, values = (words[0].lower(), words[1:]) if words else ("", [])
        answer: str | None = None
        if name in _SETTINGS or name == "addr":
            answer = self._set_or_query(name, values)
        elif name == "ver":
            answer = CONTROLLER_VERSION
        elif name == "read":
            self._read(client, values)
        elif name == "spoll":
            exchange = self._listener_at(int(values[0]) if values else self._address)
            answer = str(exchange.status_byte if exchange else 0)
        elif not self._send_bus_command(name):
            answer = "Unrecognized command"
        if answer is not None:
            client.sendall(answer.encode() + b"\r\n")

    def _set_or_query(self, name: str, values: list[str]) -> str | None:
        """Set the address or a setting, or without `values` return it as text."""
        if not values:
            return str(self._address if name == "addr" else self._settings[name])
        if not values[0].isdecimal():
            return "Unrecognized command"
        if name == "addr":
            self._address = int(values[0])
        else:
            self._settings[name] = int(values[0])
        return None

    def _send_bus_command(self, name: str) -> bool:
        """Send a bus command to the addressed instrument; return whether it is one."""
        exchange = self._listener_at(self._address)
        actions: dict[str, Callable[[MessageExchange], None]] = {
            "clr": lambda e: e.clear(),
            "loc": lambda e: e.instrument.go_local(),
            "trg": lambda e: e.trigger(),
        }
        if name in {"ifc", "llo", "rst"}:
            return True
        if name in actions and exchange is not None:
            actions[name](exchange)
        return name in actions

    def _read(self, client: socket.socket, values: list[str]) -> None:
        """Send the client an answer until its end, a stop character or a timeout.

        `values` holds the code of the stop character, if any.
        """
        exchange = self._listener_at(self._address)
        stop = bytes((int(values[0]),)) if values and values[0].isdecimal() else None
        while exchange is not None:
            part = exchange.take(self._settings["read_tmo_ms"] / 1000)
            if part is None:
                return
            client.sendall(part.data)
            if part.ends:
                if self._settings["eot_enable"]:
                    client.sendall(bytes((self._settings["eot_char"],)))
                return
            if stop is not None and stop in part.data:
                return


class GpibInstrument:
    """The server of one instrument behind a controller.

    Args:
        controller: the controller.
        address: address on its bus; None: the next free one.
        instrument: instrument that answers.
        delivery: applies the faults of the answers.
    """

    def __init__(
        self,
        controller: GpibController,
        address: int | None,
        instrument: Instrument,
        delivery: Delivery,
    ) -> None:
        self._controller = controller
        self._exchange = MessageExchange(instrument, delivery)
        self._address = controller.connect(address, self._exchange)

    @property
    def resource(self) -> str:
        """The resource string."""
        return f"LANGPIB::127.0.0.1::{self._controller.port}::{self._address}::INSTR"

    def close(self) -> None:
        """Stop serving; close the controller too, as a bench closes all its counters at once."""
        self._exchange.close()
        self._controller.close()

    def hang_up(self) -> None:
        """Drop every connection of the controller, to all its counters."""
        self._controller.hang_up()

    def suspend(self) -> None:
        """Drop every connection of the controller, and accept none."""
        self._controller.suspend()

    def resume(self) -> None:
        """Accept connections to the controller again."""
        self._controller.resume()

    def power_off(self) -> None:
        """Switch the counter off, but not the controller."""
        self._exchange.is_on = False
        self._exchange.abandon()

    def power_on(self) -> None:
        """Switch the counter on again."""
        self._exchange.is_on = True
