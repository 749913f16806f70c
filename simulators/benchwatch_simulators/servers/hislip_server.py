"""Serves a counter over HiSLIP (IVI-6.1, synchronised mode, from memory), on loopback only.

A client opens two connections. The synchronous one carries messages and responses; the
asynchronous one carries everything that must not wait for them: status, device clear, locks,
remote and local. A response carries the identifier of the message that it answers.
"""

import itertools
import socket
import struct
import threading

from benchwatch_simulators.counters.instrument import status_byte
from benchwatch_simulators.servers.hislip_locks import HislipLocks
from benchwatch_simulators.servers.hislip_messages import (
    LARGEST_PAYLOAD_BYTES,
    BadHeader,
    FatalErrorCode,
    HislipMessage,
    MessageType,
    receive_message,
    send_message,
)
from benchwatch_simulators.servers.line_splitter import LONGEST_LINE_BYTES, split_message
from benchwatch_simulators.servers.tcp_server import InstrumentServer, end_wait

PROTOCOL_VERSION = 0x0100
_UNKNOWN_MESSAGE = HislipMessage(kind=MessageType.ERROR, control=1, payload=b"unknown message type")
"""Error 1 of IVI-6.1: the type of the message is unknown."""
VENDOR = 0x7878
"""Two letters of the vendor: xx."""
_LOCAL = {2, 6}
"""Control codes of RemoteLocal that unlock the front panel (IVI-6.1 table 18)."""
_REMOTE = {3, 5}
"""Control codes of RemoteLocal that lock it."""


class _Session:
    """One client: its two connections and the message in transit."""

    def __init__(self, number: int, synchronous: socket.socket) -> None:
        self.number = number
        self.synchronous = synchronous
        self.asynchronous: socket.socket | None = None
        self.is_complete = threading.Event()
        """Set once the asynchronous connection is open too."""
        self.generation = 0
        """Number of device clears; a response of an earlier generation is dropped."""
        self.unread = False
        """Whether a response was sent that the client has not read."""


class HislipServer(InstrumentServer):
    """Serves one instrument to any number of HiSLIP clients."""

    def prepare(self) -> None:
        """Start without sessions and locks."""
        self._sessions: dict[int, _Session] = {}
        self._numbers = itertools.count(1)
        self._locks = HislipLocks()

    @property
    def resource(self) -> str:
        """The resource string."""
        return f"TCPIP0::127.0.0.1::hislip0,{self.port}::INSTR"

    def converse(self, client: socket.socket) -> None:
        """Serve one of the two connections of a client."""
        try:
            first = receive_message(client)
            if first.kind == MessageType.INITIALIZE:
                self._serve_synchronous(client)
            elif first.kind == MessageType.ASYNC_INITIALIZE and first.parameter in self._sessions:
                self._serve_asynchronous(client, self._sessions[first.parameter])
            else:
                self._refuse(client, FatalErrorCode.BAD_INITIALIZATION)
        except BadHeader:
            self._refuse(client, FatalErrorCode.BAD_HEADER)

    def _refuse(self, client: socket.socket, code: FatalErrorCode) -> None:
        send_message(
            client,
            HislipMessage(kind=MessageType.FATAL_ERROR, control=code, payload=code.name.encode()),
        )

    # The synchronous connection.

    def _serve_synchronous(self, client: socket.socket) -> None:
        self._delivery.faults.forget()
        session = _Session(next(self._numbers) & 0xFFFF, client)
        self._sessions[session.number] = session
        try:
            send_message(
                client,
                HislipMessage(
                    kind=MessageType.INITIALIZE_RESPONSE,
                    parameter=PROTOCOL_VERSION << 16 | session.number,
                ),
            )
            self._exchange(client, session)
        finally:
            self._locks.leave(session.number)
            del self._sessions[session.number]
            if session.asynchronous is not None:
                end_wait(session.asynchronous)

    def _exchange(self, client: socket.socket, session: _Session) -> None:
        pending = b""
        while True:
            message = receive_message(client)
            if not session.is_complete.is_set():
                self._refuse(client, FatalErrorCode.NOT_BOTH_CHANNELS)
                return
            if message.kind in {MessageType.DATA, MessageType.DATA_END}:
                pending += message.payload
                if len(pending) > LONGEST_LINE_BYTES:
                    self._instrument.overrun()
                    pending = b""
                elif message.kind == MessageType.DATA_END:
                    self._answer(session, pending, message.parameter)
                    pending = b""
            elif message.kind == MessageType.TRIGGER:
                self._instrument.group_trigger()
            elif message.kind == MessageType.DEVICE_CLEAR_COMPLETE:
                pending = b""
                send_message(client, HislipMessage(kind=MessageType.DEVICE_CLEAR_ACKNOWLEDGE))
            else:
                send_message(client, _UNKNOWN_MESSAGE)

    def _answer(self, session: _Session, data: bytes, identifier: int) -> None:
        """Execute the lines of one message; send each response as a message of its own."""
        self._locks.wait(session.number, self._delivery.closing)
        generation = session.generation
        for line in split_message(data):
            response = self._instrument.execute(line)
            if response is None or generation != session.generation:
                continue
            for part in self._delivery.parts(response):
                if generation == session.generation:
                    kind = MessageType.DATA_END if part.ends else MessageType.DATA
                    send_message(
                        session.synchronous,
                        HislipMessage(kind=kind, parameter=identifier, payload=part.data),
                    )
                    session.unread = True

    # The asynchronous connection.

    def _serve_asynchronous(self, client: socket.socket, session: _Session) -> None:
        session.asynchronous = client
        session.is_complete.set()  # before the reply, as the client continues at once
        kind = MessageType.ASYNC_INITIALIZE_RESPONSE
        send_message(client, HislipMessage(kind=kind, parameter=VENDOR))
        try:
            while True:
                send_message(client, self._reply(session, receive_message(client)))
        finally:
            end_wait(session.synchronous)

    def _reply(self, session: _Session, message: HislipMessage) -> HislipMessage:
        if message.kind == MessageType.ASYNC_MAXIMUM_SIZE and len(message.payload) == 8:
            asked = struct.unpack("!Q", message.payload)[0]
            size = struct.pack("!Q", min(asked, LARGEST_PAYLOAD_BYTES))
            return HislipMessage(kind=MessageType.ASYNC_MAXIMUM_SIZE_RESPONSE, payload=size)
        if message.kind == MessageType.ASYNC_STATUS_QUERY:
            if message.control & 1:  # RMT-delivered flag: the client has read the whole response
                session.unread = False
            status = status_byte(self._instrument, response_waits=session.unread)
            return HislipMessage(kind=MessageType.ASYNC_STATUS_RESPONSE, control=status)
        if message.kind == MessageType.ASYNC_DEVICE_CLEAR:
            session.generation += 1
            session.unread = False
            self._delivery.faults.forget()
            self._instrument.clear()
            return HislipMessage(kind=MessageType.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE)
        if message.kind in {MessageType.ASYNC_LOCK, MessageType.ASYNC_LOCK_INFO}:
            return self._answer_about_locks(session, message)
        if message.kind == MessageType.ASYNC_REMOTE_LOCAL:
            self._set_remote_or_local(message.control)
            return HislipMessage(kind=MessageType.ASYNC_REMOTE_LOCAL_RESPONSE)
        return _UNKNOWN_MESSAGE

    def _answer_about_locks(self, session: _Session, message: HislipMessage) -> HislipMessage:
        if message.kind == MessageType.ASYNC_LOCK_INFO:
            exclusive, holders = self._locks.info()
            return HislipMessage(
                kind=MessageType.ASYNC_LOCK_INFO_RESPONSE, control=exclusive, parameter=holders
            )
        if message.control == 1:
            name, timeout_s = message.payload.decode("latin-1"), message.parameter / 1000
            granted = self._locks.request(session.number, name, timeout_s, self._delivery.closing)
            return HislipMessage(kind=MessageType.ASYNC_LOCK_RESPONSE, control=int(granted))
        return HislipMessage(
            kind=MessageType.ASYNC_LOCK_RESPONSE, control=self._locks.release(session.number)
        )

    def _set_remote_or_local(self, control: int) -> None:
        if control in _LOCAL:
            self._instrument.go_local()
        elif control in _REMOTE:
            self._instrument.remote = True
