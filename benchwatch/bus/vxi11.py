"""VXI-11 as PyVISA-py opened it, one remote procedure call at a time.

PyVISA-py's own read loses the bytes it has when its time is up, and both read and close loop on
a peer that has gone. So `device_read` and `device_local` are called from here, over a socket that
raises when its stream ends.
"""

import socket
from contextlib import suppress
from typing import Any, Final

from benchwatch.bus.exception_mapping import link_failed
from benchwatch.bus.framing import Framing
from benchwatch.bus.wire import CHUNK_BYTES, SEND_TIMEOUT_S, VisaWire, keep_alive
from benchwatch.errors import LinkLost

IO_TIMEOUT: Final = 15
"""Error code of VXI-11 (table B.2): no bytes came in time."""
END_REASON: Final = 4
"""Reason bit of device_read: the instrument marked the end of its message."""
LOCAL_TIMEOUT_MS: Final = 200
LOCK_TIMEOUT_MS: Final = 0


class EndingSocket:
    """A socket whose `recv` raises at the end of the stream, as PyVISA-py would loop on b''."""

    def __init__(self, sock: socket.socket) -> None:
        self._socket = sock

    def recv(self, size: int) -> bytes:
        """Return bytes.

        Raises:
            ConnectionResetError: the peer has gone.
        """
        data = self._socket.recv(size)
        if not data:
            raise ConnectionResetError
        return data

    def __getattr__(self, name: str) -> Any:
        return getattr(self._socket, name)


class Vxi11Wire(VisaWire):
    """The core channel of a VXI-11 session.

    Args:
        instrument: what PyVISA opened.
        resource: its resource string.
        session: PyVISA-py's own session inside it.
    """

    message_based = True

    def __init__(self, instrument: Any, resource: str, session: Any) -> None:
        super().__init__(instrument, resource)
        self._calls = session.interface
        self._link = session.link
        self._socket: socket.socket = self._calls.sock
        keep_alive(self._socket)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._calls.sock = EndingSocket(self._socket)
        instrument.timeout = SEND_TIMEOUT_S * 1000
        self._framing = Framing()
        self._awaits_answer = False
        self._used = False
        self._broken = False

    def receive(self, timeout_s: float) -> bytes:
        """Return what the instrument sends within `timeout_s`, or b''."""
        try:
            error, reason, data = self._calls.device_read(
                self._link, CHUNK_BYTES, max(round(timeout_s * 1000), 1), LOCK_TIMEOUT_MS, 0, 0
            )
            if error not in {0, IO_TIMEOUT}:
                raise LinkLost(  # noqa: TRY301 - passes through the mapping below unchanged
                    f"the instrument refuses to be read (VXI-11 error {int(error)}). "
                    f"Check {self._resource}."
                )
        except Exception as error:
            self._broken = True
            raise link_failed(error, self._resource, "reading") from error
        ended = bool(reason & END_REASON)
        if not data and not ended:
            return b""
        cut_mark = self._framing.begin() if self._awaits_answer else b""
        self._awaits_answer = False
        return cut_mark + self._framing.part(bytes(data), ended=ended)

    def send(self, data: bytes) -> None:
        """Send `data` as one message."""
        try:
            self._used = self._awaits_answer = True
            self._visalib.write(self._handle, data)
        except Exception as error:
            self._broken = True
            raise link_failed(error, self._resource, "sending") from error

    def close(self) -> None:
        """Return the front panel to local, if the connection still works, and close at once."""
        if not self._closed:
            if self._used and not self._broken:
                self._go_local()
            # the peer drops the link with the connection; waiting for its reply could take 5 s
            with suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)
        super().close()

    def _go_local(self) -> None:
        try:
            self._calls.device_local(self._link, 0, LOCK_TIMEOUT_MS, LOCAL_TIMEOUT_MS)
        except Exception as error:  # noqa: BLE001 - a silent instrument stays in remote
            self._close_error = link_failed(error, self._resource, "closing")
