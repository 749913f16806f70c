"""Serves a counter over the core channel of VXI-11 (from memory), on loopback only.

There is no portmapper: the resource string contains the port. There are no abort and no interrupt
channels.
"""

import itertools
import socket
import threading
from collections.abc import Callable

from benchwatch_simulators.counters.instrument import status_byte
from benchwatch_simulators.servers.line_splitter import LONGEST_LINE_BYTES, split_message
from benchwatch_simulators.servers.message_exchange import MessageExchange
from benchwatch_simulators.servers.tcp_server import InstrumentServer
from benchwatch_simulators.servers.vxi11_calls import (
    CORE_PROGRAM,
    GARBAGE_ARGUMENTS,
    LARGEST_RECORD_BYTES,
    PROCEDURE_UNAVAILABLE,
    PROGRAM_UNAVAILABLE,
    SUCCESS,
    CallArguments,
    GarbageArguments,
    RpcCall,
    pack_integers,
    pack_opaque,
    receive_call,
    send_reply,
)

_WRITE_END = 8
_READ_COUNT, _READ_END = 1, 4
_INVALID_LINK, _NOT_SUPPORTED, _LOCKED, _NO_LOCK, _TIMED_OUT = 4, 8, 11, 12, 15
"""Error codes of VXI-11 table B.2."""


class _Connection:
    """The state of one client's connection: its links and messages."""

    def __init__(self) -> None:
        self.links: set[int] = set()
        self.written = b""
        """Beginning of a message whose end was not written yet."""
        self.unread = b""
        """Rest of a response that was not read yet."""
        self.unread_ends = False
        """Whether the response ends with this rest."""


class Vxi11Server(InstrumentServer):
    """Serves one instrument to any number of VXI-11 clients."""

    def prepare(self) -> None:
        """Start without links and locks."""
        self._exchange = MessageExchange(self._instrument, self._delivery)
        self._links = itertools.count(1)
        self._lock_holder: int | None = None
        self._guard = threading.Lock()

    @property
    def resource(self) -> str:
        """The resource string."""
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

    def _perform(self, call: RpcCall, connection: _Connection) -> tuple[int, bytes]:
        """Perform one call; return its accept state and packed results."""
        if call.program != CORE_PROGRAM:
            return PROGRAM_UNAVAILABLE, b""
        if call.procedure == 0:
            return SUCCESS, b""
        procedures: dict[int, Callable[[_Connection, CallArguments], bytes]] = {
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
            20: lambda *_: pack_integers(_NOT_SUPPORTED),
            22: lambda *_: pack_integers(_NOT_SUPPORTED, 0),
            23: self._destroy_link,
            25: lambda *_: pack_integers(_NOT_SUPPORTED),
            26: lambda *_: pack_integers(_NOT_SUPPORTED),
        }
        procedure = procedures.get(call.procedure)
        if procedure is None:
            return PROCEDURE_UNAVAILABLE, b""
        try:
            return SUCCESS, procedure(connection, call.arguments)
        except GarbageArguments:
            return GARBAGE_ARGUMENTS, b""

    # Links and locks.

    def _create_link(self, connection: _Connection, arguments: CallArguments) -> bytes:
        _client, locks, _timeout, _device = (
            arguments.unsigned(),
            arguments.unsigned(),
            arguments.unsigned(),
            arguments.opaque(),
        )
        link = next(self._links)
        connection.links.add(link)
        error = 0 if not locks or self._take_lock(link) else _LOCKED
        return pack_integers(error, link, 0, LARGEST_RECORD_BYTES)

    def _destroy_link(self, connection: _Connection, arguments: CallArguments) -> bytes:
        link = arguments.unsigned()
        if link not in connection.links:
            return pack_integers(_INVALID_LINK)
        connection.links.discard(link)
        self._drop_lock(link)
        return pack_integers(0)

    def _lock_device(self, connection: _Connection, arguments: CallArguments) -> bytes:
        link = arguments.unsigned()
        if link not in connection.links:
            return pack_integers(_INVALID_LINK)
        return pack_integers(0 if self._take_lock(link) else _LOCKED)

    def _unlock_device(self, connection: _Connection, arguments: CallArguments) -> bytes:
        link = arguments.unsigned()
        if link not in connection.links:
            return pack_integers(_INVALID_LINK)
        return pack_integers(0 if self._drop_lock(link) else _NO_LOCK)

    def _take_lock(self, link: int) -> bool:
        with self._guard:
            if self._lock_holder is None:
                self._lock_holder = link
            return self._lock_holder == link

    def _drop_lock(self, link: int) -> bool:
        with self._guard:
            held = self._lock_holder == link
            if held:
                self._lock_holder = None
            return held

    def _refused(self, connection: _Connection, link: int) -> int:
        """Return the error code if the link is unknown or locked out; else 0."""
        if link not in connection.links:
            return _INVALID_LINK
        return _LOCKED if self._lock_holder not in {None, link} else 0

    # Messages.

    def _write(self, connection: _Connection, arguments: CallArguments) -> bytes:
        link, _timeout, _lock_timeout, flags = (arguments.unsigned() for _ in range(4))
        data = arguments.opaque()
        error = self._refused(connection, link)
        if error:
            return pack_integers(error, 0)
        connection.unread = b""
        connection.written += data
        if len(connection.written) > LONGEST_LINE_BYTES:
            connection.written = b""
            self._instrument.overrun()
        elif flags & _WRITE_END:
            for line in split_message(connection.written):
                self._exchange.send(line)
            connection.written = b""
        return pack_integers(0, len(data))

    def _read(self, connection: _Connection, arguments: CallArguments) -> bytes:
        link, size, timeout_ms, _lock_timeout, _flags, _stop = (
            arguments.unsigned() for _ in range(6)
        )
        error = self._refused(connection, link)
        if error:
            return pack_integers(error, 0) + pack_opaque(b"")
        if not connection.unread:
            part = self._exchange.take(timeout_ms / 1000)
            if part is None:
                return pack_integers(_TIMED_OUT, 0) + pack_opaque(b"")
            connection.unread, connection.unread_ends = part.data, part.ends
        data, connection.unread = connection.unread[:size], connection.unread[size:]
        reason = _READ_COUNT if len(data) == size else 0
        if connection.unread_ends and not connection.unread:
            reason |= _READ_END
        return pack_integers(0, reason) + pack_opaque(data)

    def _read_status(self, connection: _Connection, arguments: CallArguments) -> bytes:
        error = self._refused(connection, arguments.unsigned())
        waits = self._exchange.has_response or bool(connection.unread)
        status = status_byte(self._instrument, response_waits=waits)
        return pack_integers(error, 0 if error else status)

    def _simple(
        self, act: Callable[[_Connection], None]
    ) -> Callable[[_Connection, CallArguments], bytes]:
        """Return a procedure that calls `act` for a valid link, and returns the error code."""

        def procedure(connection: _Connection, arguments: CallArguments) -> bytes:
            error = self._refused(connection, arguments.unsigned())
            if not error:
                act(connection)
            return pack_integers(error)

        return procedure

    def _clear(self, connection: _Connection) -> None:
        connection.written = connection.unread = b""
        self._exchange.clear()

    def _set_remote(self) -> None:
        self._instrument.remote = True
