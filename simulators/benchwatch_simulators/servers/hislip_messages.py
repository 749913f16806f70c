"""The messages of HiSLIP (IVI-6.1, from memory): a header of 16 bytes and a payload."""

import socket
import struct
from dataclasses import dataclass
from enum import IntEnum

from benchwatch_simulators.servers.tcp_server import receive_exactly

_HEADER = struct.Struct("!2sBBIQ")
LARGEST_PAYLOAD_BYTES = 1 << 20
"""Messages with a larger payload are refused."""


class MessageType(IntEnum):
    """HislipMessage types, IVI-6.1 table 4."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    ASYNC_LOCK = 4
    ASYNC_LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE_LOCAL = 10
    ASYNC_REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    INTERRUPTED = 13
    ASYNC_INTERRUPTED = 14
    ASYNC_MAXIMUM_SIZE = 15
    ASYNC_MAXIMUM_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_SERVICE_REQUEST = 20
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23
    ASYNC_LOCK_INFO = 24
    ASYNC_LOCK_INFO_RESPONSE = 25


class FatalErrorCode(IntEnum):
    """Codes of FatalError, IVI-6.1 table 15."""

    BAD_HEADER = 1
    NOT_BOTH_CHANNELS = 2
    BAD_INITIALIZATION = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class HislipMessage:
    """One message; `kind` is a `MessageType`, or any number from a client."""

    kind: int
    control: int = 0
    parameter: int = 0
    payload: bytes = b""


class BadHeader(Exception):
    """The bytes received are no HiSLIP; the connection must be closed."""


def send_message(peer: socket.socket, message: HislipMessage) -> None:
    """Send one message to `peer`."""
    header = _HEADER.pack(
        b"HS", message.kind, message.control, message.parameter, len(message.payload)
    )
    peer.sendall(header + message.payload)


def receive_message(peer: socket.socket) -> HislipMessage:
    """Return the next message from `peer`.

    Raises:
        EOFError: the peer has disconnected.
        BadHeader: the bytes are no HiSLIP.
    """
    prologue, kind, control, parameter, length = _HEADER.unpack(receive_exactly(peer, _HEADER.size))
    if prologue != b"HS" or length > LARGEST_PAYLOAD_BYTES:
        raise BadHeader
    return HislipMessage(
        kind=kind, control=control, parameter=parameter, payload=receive_exactly(peer, length)
    )
