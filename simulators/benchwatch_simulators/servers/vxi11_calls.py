"""Reads and answers the remote procedure calls of VXI-11 (RFC 5531 and RFC 4506, from memory)."""

import socket
import struct
from dataclasses import dataclass

from benchwatch_simulators.servers.tcp_server import receive_exactly

CORE_PROGRAM = 0x0607AF
LARGEST_RECORD_BYTES = 1 << 20
_LAST_FRAGMENT = 0x8000_0000

SUCCESS, PROGRAM_UNAVAILABLE, PROCEDURE_UNAVAILABLE, GARBAGE_ARGUMENTS = 0, 1, 3, 4
"""Accept states of RFC 5531 section 9."""


class GarbageArguments(Exception):
    """The arguments of a call can't be read."""


class CallArguments:
    """Reads the arguments of a call, one after another (RFC 4506)."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    def unsigned(self) -> int:
        """Return the next unsigned integer.

        Raises:
            GarbageArguments: the arguments are too short.
        """
        if len(self._data) < 4:
            raise GarbageArguments
        (value,) = struct.unpack(">I", self._data[:4])
        self._data = self._data[4:]
        return int(value)

    def opaque(self) -> bytes:
        """Return the next opaque bytes, or the bytes of a string.

        Raises:
            GarbageArguments: the arguments are too short.
        """
        size = self.unsigned()
        if size > len(self._data):
            raise GarbageArguments
        data, self._data = self._data[:size], self._data[size + -size % 4 :]
        return data


@dataclass(frozen=True, slots=True, kw_only=True)
class RpcCall:
    """One remote procedure call."""

    xid: int
    program: int
    procedure: int
    arguments: CallArguments


def receive_call(peer: socket.socket) -> RpcCall:
    """Return the next call from `peer`.

    Raises:
        EOFError: the peer has disconnected, or sent anything but a call.
    """
    record = b""
    last = False
    while not last:
        (mark,) = struct.unpack(">I", receive_exactly(peer, 4))
        last, size = bool(mark & _LAST_FRAGMENT), mark & ~_LAST_FRAGMENT
        if size + len(record) > LARGEST_RECORD_BYTES:
            raise EOFError
        record += receive_exactly(peer, size)
    header = CallArguments(record)
    try:
        xid, _, _, program, _, procedure = (header.unsigned() for _ in range(6))
        for _ in range(2):  # credentials and verifier, which are ignored here
            header.unsigned()
            header.opaque()
    except GarbageArguments as error:
        raise EOFError from error
    return RpcCall(xid=xid, program=program, procedure=procedure, arguments=header)


def send_reply(peer: socket.socket, xid: int, state: int, results: bytes = b"") -> None:
    """Send an accepted reply to the call `xid`, with the accept `state` and packed `results`."""
    record = struct.pack(">IIIIII", xid, 1, 0, 0, 0, state) + results
    peer.sendall(struct.pack(">I", len(record) | _LAST_FRAGMENT) + record)


def pack_integers(*values: int) -> bytes:
    """Pack unsigned integers (RFC 4506 section 4.2)."""
    return struct.pack(f">{len(values)}I", *values)


def pack_opaque(data: bytes) -> bytes:
    """Pack variable-length opaque data (RFC 4506 section 4.10)."""
    return pack_integers(len(data)) + data + bytes(-len(data) % 4)
