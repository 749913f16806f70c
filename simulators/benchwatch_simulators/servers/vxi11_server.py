"""A counter behind the core channel of VXI-11 (TCP/IP Instrument Protocol, from memory).

There is no portmapper: the port stands in the resource string. There is no abort and no
interrupt channel. Listens on loopback only.
"""

import itertools
import socket
import threading
from collections.abc import Callable

from benchwatch_simulators.counters.delivery import Delivery
from benchwatch_simulators.counters.instrument import Instrument, status_byte
from benchwatch_simulators.servers.line_splitter import LONGEST_LINE, lines_of
from benchwatch_simulators.servers.message_exchange import MessageExchange
from benchwatch_simulators.servers.tcp_server import TcpServer
from benchwatch_simulators.servers.vxi11_calls import (
    CORE_PROGRAM,
    GARBAGE_ARGUMENTS,
    LARGEST,
    PROCEDURE_UNAVAILABLE,
    PROGRAM_UNAVAILABLE,
    SUCCESS,
    Arguments,
    Call,
    GarbageArguments,
    integers,
    opaque,
    receive_call,
    send_reply,
)

_WRITE_END = 8
_READ_COUNT, _READ_END = 1, 4
_INVALID_LINK, _NOT_SUPPORTED, _LOCKED, _NO_LOCK, _TIMED_OUT = 4, 8, 11, 12, 15
"""Error codes of VXI-11 table B.2."""


class _Connection:
    """The state of one client: its links, and its unread and unfinished messages."""

    def __init__(self) -> None:
        self.links: set[int] = set()
        self.written = b""
        self.unread = b""
        self.unread_ends = False


class Vxi11Server(TcpServer):
    """Serves one instrument to any number of VXI-11 clients.

    Args:
        instrument: what answers.
        port: 0 for any free one.
        delivery: faults of the answers.

    Raises:
        ConnectionFailed: the port can't be had.
    """

    def __init__(
        self, instrument: Instrument, port: int = 0, delivery: Delivery | None = None
    ) -> None:
        self._instrument = instrument
        self._exchange = MessageExchange(instrument, delivery)
        self._links = itertools.count(1)
        self._lock_holder: int | None = None
        self._holding = threading.Lock()
        super().__init__(port)

    @property
    def resource(self) -> str:
        """Its resource string."""
        return f"TCPIP0::127.0.0.1,{self.port}::inst0::INSTR"

    def close(self) -> None:
        """Stop serving."""
        self._exchange.close()
        super().close()

    def converse(self, client: socket.socket) -> None:
        """Serve the calls of one client."""
        if not self.is_shared:
            self._exchange.abandon()
        connection = _Connection()
        try:
            while True:
                call = receive_call(client)
                state, results = self._perform(call, connection)
                send_reply(client, call.xid, state, results)
        finally:
            for link in connection.links:
                self._drop_lock(link)

    def _perform(self, call: Call, connection: _Connection) -> tuple[int, bytes]:
        if call.program != CORE_PROGRAM:
            return PROGRAM_UNAVAILABLE, b""
        if call.procedure == 0:
            return SUCCESS, b""
        procedures: dict[int, Callable[[_Connection, Arguments], bytes]] = {
            10: self._create_link,
            11: self._write,
            12: self._read,
            13: self._read_status,
            14: self._simple(lambda _: self._exchange.trigger()),
            15: self._simple(self._clear),
            16: self._simple(lambda _: self._set_remote()),
            17: self._simple(lambda _: self._instrument.go_local()),
            18: self._lock_device,
            19: self._unlock_device,
            20: lambda *_: integers(_NOT_SUPPORTED),
            22: lambda *_: integers(_NOT_SUPPORTED, 0),
            23: self._destroy_link,
            25: lambda *_: integers(_NOT_SUPPORTED),
            26: lambda *_: integers(_NOT_SUPPORTED),
        }
        procedure = procedures.get(call.procedure)
        if procedure is None:
            return PROCEDURE_UNAVAILABLE, b""
        try:
            return SUCCESS, procedure(connection, call.arguments)
        except GarbageArguments:
            return GARBAGE_ARGUMENTS, b""

    # Links and locks.

    def _create_link(self, connection: _Connection, arguments: Arguments) -> bytes:
        _client, locks, _timeout, _device = (
            arguments.unsigned(),
            arguments.unsigned(),
            arguments.unsigned(),
            arguments.opaque(),
        )
        link = next(self._links)
        connection.links.add(link)
        error = 0 if not locks or self._take_lock(link) else _LOCKED
        return integers(error, link, 0, LARGEST)

    def _destroy_link(self, connection: _Connection, arguments: Arguments) -> bytes:
        link = arguments.unsigned()
        if link not in connection.links:
            return integers(_INVALID_LINK)
        connection.links.discard(link)
        self._drop_lock(link)
        return integers(0)

    def _lock_device(self, connection: _Connection, arguments: Arguments) -> bytes:
        link = arguments.unsigned()
        if link not in connection.links:
            return integers(_INVALID_LINK)
        return integers(0 if self._take_lock(link) else _LOCKED)

    def _unlock_device(self, connection: _Connection, arguments: Arguments) -> bytes:
        link = arguments.unsigned()
        if link not in connection.links:
            return integers(_INVALID_LINK)
        return integers(0 if self._drop_lock(link) else _NO_LOCK)

    def _take_lock(self, link: int) -> bool:
        with self._holding:
            if self._lock_holder is None:
                self._lock_holder = link
            return self._lock_holder == link

    def _drop_lock(self, link: int) -> bool:
        with self._holding:
            held = self._lock_holder == link
            if held:
                self._lock_holder = None
            return held

    def _refused(self, connection: _Connection, link: int) -> int:
        """Return the error code for an unknown or locked-out link; 0 when it may proceed."""
        if link not in connection.links:
            return _INVALID_LINK
        return _LOCKED if self._lock_holder not in {None, link} else 0

    # Messages.

    def _write(self, connection: _Connection, arguments: Arguments) -> bytes:
        link, _timeout, _lock_timeout, flags = (arguments.unsigned() for _ in range(4))
        data = arguments.opaque()
        error = self._refused(connection, link)
        if error:
            return integers(error, 0)
        connection.unread = b""
        connection.written += data
        if len(connection.written) > LONGEST_LINE:
            connection.written = b""
            self._instrument.overrun()
        elif flags & _WRITE_END:
            for line in lines_of(connection.written):
                self._exchange.send(line)
            connection.written = b""
        return integers(0, len(data))

    def _read(self, connection: _Connection, arguments: Arguments) -> bytes:
        link, size, timeout_ms, _lock_timeout, _flags, _stop = (
            arguments.unsigned() for _ in range(6)
        )
        error = self._refused(connection, link)
        if error:
            return integers(error, 0) + opaque(b"")
        if not connection.unread:
            part = self._exchange.take(timeout_ms / 1000)
            if part is None:
                return integers(_TIMED_OUT, 0) + opaque(b"")
            connection.unread, connection.unread_ends = part.data, part.ends
        data, connection.unread = connection.unread[:size], connection.unread[size:]
        reason = _READ_COUNT if len(data) == size else 0
        if connection.unread_ends and not connection.unread:
            reason |= _READ_END
        return integers(0, reason) + opaque(data)

    def _read_status(self, connection: _Connection, arguments: Arguments) -> bytes:
        error = self._refused(connection, arguments.unsigned())
        waits = self._exchange.has_response or bool(connection.unread)
        status = status_byte(self._instrument, response_waits=waits)
        return integers(error, 0 if error else status)

    def _simple(
        self, act: Callable[[_Connection], None]
    ) -> Callable[[_Connection, Arguments], bytes]:
        def procedure(connection: _Connection, arguments: Arguments) -> bytes:
            error = self._refused(connection, arguments.unsigned())
            if not error:
                act(connection)
            return integers(error)

        return procedure

    def _clear(self, connection: _Connection) -> None:
        connection.written = connection.unread = b""
        self._exchange.clear()

    def _set_remote(self) -> None:
        self._instrument.remote = True
