"""HiSLIP (IVI-6.1) as PyVISA-py opened it; only bytes that have arrived are read.

PyVISA-py's own read loses the part of a message that has come when its time is up, and the
connection must then be opened again. So the wire checks what has arrived, and has a message read
once it is whole. A response names the message it answers: a late one is dropped. PyVISA-py's
`clear` is not used, as it fails when a late response is on its way.
"""

import socket
import struct
import time
from contextlib import suppress
from typing import Any, Final

from benchwatch.bus.exception_mapping import link_failed
from benchwatch.bus.framing import Framing
from benchwatch.bus.wire import SEND_TIMEOUT_S, VisaWire, keep_alive
from benchwatch.errors import LinkLost
from benchwatch.system.clocks import monotonic
from benchwatch.system.waiting import wait_readable

HEADER: Final = struct.Struct("!2sBBIQ")
DATA: Final = 6
DATA_END: Final = 7
ANY_MESSAGE: Final = 0xFFFF_FFFF
WHOLE_MESSAGE_BYTES: Final = 16384
"""Bytes; a message up to this size is read once it is whole, a larger one piece by piece."""
POLL_S: Final = 0.001
"""Time between two checks of a message of which only a part has come."""
DROP_LIMIT_S: Final = 0.5
"""A message that does not end within this is taken to have no end."""
LOCAL_TIMEOUT_S: Final = 0.5


class HislipWire(VisaWire):
    """The synchronous connection of a HiSLIP session, with remote/local control on close.

    Args:
        instrument: what PyVISA opened.
        resource: its resource string.
        protocol: PyVISA-py's own HiSLIP client inside it.
    """

    message_based = True

    def __init__(self, instrument: Any, resource: str, protocol: Any) -> None:
        super().__init__(instrument, resource)
        self._protocol = protocol
        self._socket: socket.socket = protocol._sync  # noqa: SLF001 - there is no public way
        keep_alive(self._socket)
        protocol.timeout = SEND_TIMEOUT_S
        self._ignored = self._visalib.ignore_warning(self._handle, *self._instrument_warnings())
        self._ignored.__enter__()
        self._framing = Framing()
        self._skip = 0
        """Bytes of an unwanted message that are still to be dropped."""
        self._reading: int | None = None
        """Message identifier of the answer that was begun last."""
        self._used = False
        self._broken = False

    def receive(self, timeout_s: float) -> bytes:
        """Return bytes of the answer to the newest message, waiting up to `timeout_s`; or b''."""
        deadline = monotonic() + timeout_s
        try:
            while True:
                left_s = max(deadline - monotonic(), 0.0)
                if not wait_readable(self._socket, left_s):
                    return b""
                data = self._read_next()
                if data:
                    return data
                if data is None:
                    if monotonic() >= deadline:
                        return b""
                    time.sleep(POLL_S)
        except Exception as error:
            self._broken = True
            raise link_failed(error, self._resource, "reading") from error

    def has_input(self) -> bool:
        """True when bytes, or the end of the stream, wait to be read."""
        return wait_readable(self._socket, 0.0)

    def send(self, data: bytes) -> None:
        """Send `data` as one message."""
        try:
            self._drop_rest()
            self._used = True
            self._visalib.write(self._handle, data)
        except Exception as error:
            self._broken = True
            raise link_failed(error, self._resource, "sending") from error

    def close(self) -> None:
        """Return the front panel to local, if the connection still works, and close."""
        if self._used and not self._broken and not self._closed:
            self._protocol.timeout = LOCAL_TIMEOUT_S
            # an instrument that does not answer stays in remote; nothing more can be done
            with suppress(OSError, RuntimeError, AssertionError):
                self._protocol.async_remote_local_control("justGTL")
        super().close()

    @property
    def _bytes_to_come(self) -> int:
        """Bytes of the message being read that are still to come."""
        rest: int = self._protocol._payload_remaining  # noqa: SLF001 - there is no public way
        return rest

    def _drop_rest(self) -> None:
        """Drop the rest of the message under way; the next one begins after it."""
        deadline = monotonic() + DROP_LIMIT_S
        while self._bytes_to_come or self._skip:
            left_s = deadline - monotonic()
            if left_s <= 0:
                raise LinkLost(
                    f"a huge reply of {self._resource} has no end. The link is opened again."
                )
            if wait_readable(self._socket, left_s):
                there = len(self._socket.recv(WHOLE_MESSAGE_BYTES, socket.MSG_PEEK))
                if not there:
                    raise EOFError
                if self._bytes_to_come:  # kept from the framing, which then marks this reply as cut
                    self._visalib.read(self._handle, min(there, self._bytes_to_come))
                else:
                    self._skip -= len(self._receive(self._skip))

    def _read_next(self) -> bytes | None:
        """Return bytes of an answer; b'' where others were dropped; None when too few have come."""
        if self._skip:
            dropped = len(self._receive(self._skip))
            self._skip -= dropped
            return b""
        there = self._socket.recv(HEADER.size + WHOLE_MESSAGE_BYTES, socket.MSG_PEEK)
        if not there:
            raise EOFError
        if self._bytes_to_come:
            return self._read(min(len(there), self._bytes_to_come))
        if len(there) < HEADER.size:
            return None
        prologue, kind, _, identifier, length = HEADER.unpack_from(there)
        if prologue != b"HS":
            raise LinkLost(
                f"what {self._resource} sends is no HiSLIP. Is another program on its port?"
            )
        if length == 0 or not self._is_newest_answer(kind, identifier):
            self._skip = HEADER.size + length
            return b""
        arrived = len(there) - HEADER.size
        if arrived < min(length, WHOLE_MESSAGE_BYTES):
            return None
        cut_mark = b"" if identifier == self._reading else self._framing.begin()
        self._reading = identifier
        return cut_mark + self._read(min(arrived, length))

    def _is_newest_answer(self, kind: int, identifier: int) -> bool:
        """Return whether a message is (a part of) the answer to the newest one that was sent."""
        if kind not in {DATA, DATA_END} or self._protocol._msg_type == "DataEnd":  # noqa: SLF001
            return False  # no data, or a second answer to one message
        return identifier in {ANY_MESSAGE, self._protocol.last_message_id}

    def _read(self, count: int) -> bytes:
        data = bytes(self._visalib.read(self._handle, count)[0])
        ended = self._protocol._msg_type == "DataEnd" and not self._bytes_to_come  # noqa: SLF001
        return self._framing.part(data, ended=ended)

    def _receive(self, most: int) -> bytes:
        data = self._socket.recv(min(most, WHOLE_MESSAGE_BYTES))
        if not data:
            raise EOFError
        return data
