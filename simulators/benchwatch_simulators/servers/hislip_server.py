"""A counter behind HiSLIP (IVI-6.1, synchronised mode, from memory), on loopback only.

A client opens two connections: the synchronous one carries messages and responses, the
asynchronous one what must get through beside them: status, device clear, locks, remote and
local. A response carries the identifier of the message that asked for it.
"""

import itertools
import socket
import struct
import threading

from benchwatch_simulators.counters.delivery import Delivery
from benchwatch_simulators.counters.instrument import Instrument, status_byte
from benchwatch_simulators.servers.hislip_locks import Locks
from benchwatch_simulators.servers.hislip_messages import (
    LARGEST,
    BadHeader,
    Fatal,
    Kind,
    Message,
    receive,
    send,
)
from benchwatch_simulators.servers.line_splitter import LONGEST_LINE, lines_of
from benchwatch_simulators.servers.tcp_server import TcpServer, wake

VERSION = 0x0100
_UNKNOWN_MESSAGE = 1
_LOCAL = {2, 6}
"""Control codes of RemoteLocal that give the front panel back (IVI-6.1 table 18)."""


class _Session:
    """One client: its two connections and the message in transit."""

    def __init__(self, number: int, synchronous: socket.socket) -> None:
        self.number = number
        self.synchronous = synchronous
        self.asynchronous: socket.socket | None = None
        self.both = threading.Event()
        self.generation = 0
        self.unread = False


class HislipServer(TcpServer):
    """Serves one instrument to any number of HiSLIP clients.

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
        self._delivery = delivery or Delivery()
        self._sessions: dict[int, _Session] = {}
        self._numbers = itertools.count(1)
        self._locks = Locks()
        super().__init__(port)

    @property
    def resource(self) -> str:
        """Its resource string."""
        return f"TCPIP0::127.0.0.1::hislip0,{self.port}::INSTR"

    def converse(self, client: socket.socket) -> None:
        """Serve one of the two connections of a client."""
        try:
            first = receive(client)
            if first.kind == Kind.INITIALIZE:
                self._serve_synchronous(client)
            elif first.kind == Kind.ASYNC_INITIALIZE and first.parameter in self._sessions:
                self._serve_asynchronous(client, self._sessions[first.parameter])
            else:
                self._refuse(client, Fatal.BAD_INITIALIZATION)
        except BadHeader:
            self._refuse(client, Fatal.BAD_HEADER)

    def _refuse(self, client: socket.socket, code: Fatal) -> None:
        send(
            client,
            Message(kind=Kind.FATAL_ERROR, control=code, parameter=0, payload=code.name.encode()),
        )

    # The synchronous connection.

    def _serve_synchronous(self, client: socket.socket) -> None:
        self._delivery.faults.forget()
        session = _Session(next(self._numbers) & 0xFFFF, client)
        self._sessions[session.number] = session
        try:
            send(
                client,
                Message(
                    kind=Kind.INITIALIZE_RESPONSE,
                    control=0,
                    parameter=VERSION << 16 | session.number,
                ),
            )
            self._exchange(client, session)
        finally:
            self._locks.leave(session.number)
            del self._sessions[session.number]
            if session.asynchronous is not None:
                wake(session.asynchronous)

    def _exchange(self, client: socket.socket, session: _Session) -> None:
        pending = b""
        while True:
            message = receive(client)
            if not session.both.is_set():
                self._refuse(client, Fatal.NOT_BOTH_CHANNELS)
                return
            if message.kind in {Kind.DATA, Kind.DATA_END}:
                pending += message.payload
                if len(pending) > LONGEST_LINE:
                    self._instrument.overrun()
                    pending = b""
                elif message.kind == Kind.DATA_END:
                    self._answer(session, pending, message.parameter)
                    pending = b""
            elif message.kind == Kind.TRIGGER:
                self._instrument.group_trigger()
            elif message.kind == Kind.DEVICE_CLEAR_COMPLETE:
                pending = b""
                send(client, Message(kind=Kind.DEVICE_CLEAR_ACKNOWLEDGE))
            else:
                send(
                    client,
                    Message(
                        kind=Kind.ERROR,
                        control=_UNKNOWN_MESSAGE,
                        parameter=0,
                        payload=b"unknown message type",
                    ),
                )

    def _answer(self, session: _Session, data: bytes, identifier: int) -> None:
        """Execute the lines of one message; each response is a message of its own."""
        self._locks.wait(session.number, self._delivery.closing)
        generation = session.generation
        for line in lines_of(data):
            response = self._instrument.execute(line)
            if response is None or generation != session.generation:
                continue
            for part in self._delivery.parts(response):
                if generation == session.generation:
                    kind = Kind.DATA_END if part.ends else Kind.DATA
                    send(
                        session.synchronous,
                        Message(kind=kind, control=0, parameter=identifier, payload=part.data),
                    )
                    session.unread = True

    # The asynchronous connection.

    def _serve_asynchronous(self, client: socket.socket, session: _Session) -> None:
        session.asynchronous = client
        session.both.set()  # before the reply, as the client continues at once
        send(client, Message(kind=Kind.ASYNC_INITIALIZE_RESPONSE, control=0, parameter=0x7878))
        try:
            while True:
                send(client, self._reply(session, receive(client)))
        finally:
            wake(session.synchronous)

    def _reply(self, session: _Session, message: Message) -> Message:
        if message.kind == Kind.ASYNC_MAXIMUM_SIZE and len(message.payload) == 8:
            asked = struct.unpack("!Q", message.payload)[0]
            size = struct.pack("!Q", min(asked, LARGEST))
            return Message(kind=Kind.ASYNC_MAXIMUM_SIZE_RESPONSE, payload=size)
        if message.kind == Kind.ASYNC_STATUS_QUERY:
            if message.control & 1:  # RMT delivered: the client has read the whole response
                session.unread = False
            status = status_byte(self._instrument, response_waits=session.unread)
            return Message(kind=Kind.ASYNC_STATUS_RESPONSE, control=status)
        if message.kind == Kind.ASYNC_DEVICE_CLEAR:
            session.generation += 1
            session.unread = False
            self._delivery.faults.forget()
            self._instrument.clear()
            return Message(kind=Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE)
        if message.kind in {Kind.ASYNC_LOCK, Kind.ASYNC_LOCK_INFO}:
            return self._about_locks(session, message)
        if message.kind == Kind.ASYNC_REMOTE_LOCAL:
            self._remote_or_local(message.control)
            return Message(kind=Kind.ASYNC_REMOTE_LOCAL_RESPONSE)
        return Message(
            kind=Kind.ERROR, control=_UNKNOWN_MESSAGE, parameter=0, payload=b"unknown message type"
        )

    def _about_locks(self, session: _Session, message: Message) -> Message:
        if message.kind == Kind.ASYNC_LOCK_INFO:
            exclusive, holders = self._locks.info()
            return Message(kind=Kind.ASYNC_LOCK_INFO_RESPONSE, control=exclusive, parameter=holders)
        if message.control == 1:
            name, timeout_s = message.payload.decode("latin-1"), message.parameter / 1000
            granted = self._locks.request(session.number, name, timeout_s, self._delivery.closing)
            return Message(kind=Kind.ASYNC_LOCK_RESPONSE, control=int(granted))
        return Message(kind=Kind.ASYNC_LOCK_RESPONSE, control=self._locks.release(session.number))

    def _remote_or_local(self, control: int) -> None:
        if control in _LOCAL:
            self._instrument.go_local()
        elif control in {3, 5}:
            self._instrument.remote = True
