"""Bytes on one bus: the protocol `Wire`, and the wires of plain VISA and of raw sockets.

A wire never waits longer than its timeout, never waits for a terminator, and loses no byte.
"""

import socket
from typing import Any, Final, Protocol

from benchwatch.bus.exception_mapping import link_failed, status_name
from benchwatch.errors import LinkLost
from benchwatch.system.waiting import wait_readable, wait_writable

CHUNK_BYTES: Final = 4096
"""Most bytes read at once."""
SEND_TIMEOUT_S: Final = 2.0
"""A peer that accepts no bytes for this long counts as gone."""


class Wire(Protocol):
    """A bus as a session uses it. Every method raises `LinkLost` when the peer is gone."""

    @property
    def message_based(self) -> bool:
        """True where an answer comes only when it is read, and a new query drops unread ones."""

    @property
    def honours_timeout(self) -> bool:
        """True where `receive` waits no longer than its timeout while the computer runs."""

    @property
    def never_duplicates(self) -> bool:
        """True where a line that comes twice was written twice, as in a file."""

    @property
    def resource(self) -> str:
        """The resource string."""

    def receive(self, timeout_s: float) -> bytes:
        """Return the bytes that have come, waiting up to `timeout_s` for the first; or b''."""

    def has_input(self) -> bool:
        """True when bytes are known to wait; False also where the bus can't tell."""

    def send(self, data: bytes) -> None:
        """Send `data`."""

    def close(self) -> None:
        """Close the connection; never raises, may be called twice."""


class VisaWire:
    """Any message-based VISA resource, through any backend, a byte at a time.

    Reading single bytes is slow, and it is the only way in which no backend loses any: a
    larger read that runs into its timeout drops the bytes it has.
    """

    message_based: bool = False
    honours_timeout: bool = False
    never_duplicates: Final = False

    def __init__(self, instrument: Any, resource: str) -> None:
        self._instrument = instrument
        self._visalib: Any = instrument.visalib
        self._handle: Any = instrument.session
        self._resource = resource
        self._closed = False

    @property
    def resource(self) -> str:
        """The resource string."""
        return self._resource

    def receive(self, timeout_s: float) -> bytes:
        """Return one byte, with a line feed after it where the bus marks an end; or b''."""
        try:
            self._instrument.timeout = max(timeout_s, 0.001) * 1000
            with self._visalib.ignore_warning(self._handle, *self._instrument_warnings()):
                data, status = self._visalib.read(self._handle, 1)
        except Exception as error:
            if status_name(error) == "error_timeout":
                return b""
            raise link_failed(error, self._resource, "reading") from error
        ended = getattr(status, "name", "") == "success"
        return bytes(data) + (b"\n" if ended and data and data != b"\n" else b"")

    def has_input(self) -> bool:
        """False: VISA can't tell without waiting."""
        return False

    def send(self, data: bytes) -> None:
        """Send `data`."""
        try:
            self._instrument.timeout = SEND_TIMEOUT_S * 1000
            self._instrument.write_raw(data)
        except Exception as error:
            raise link_failed(error, self._resource, "sending") from error

    def close(self) -> None:
        """Close the VISA session, and remove its handle, which PyVISA-py would keep."""
        if self._closed:
            return
        self._closed = True
        try:
            self._instrument.close()
        except Exception as error:  # noqa: BLE001 - the rest must be released all the same
            self._close_error = link_failed(error, self._resource, "closing")
        for name in ("sessions", "_last_status_in_session", "_ignore_warning_in_session"):
            kept = getattr(self._visalib, name, None)
            if isinstance(kept, dict):
                kept.pop(self._handle, None)

    @staticmethod
    def _instrument_warnings() -> tuple[Any, ...]:
        from pyvisa.constants import StatusCode  # noqa: PLC0415 - PyVISA is loaded by now

        return (StatusCode.success_max_count_read,)


class SocketWire(VisaWire):
    """A raw TCP socket that PyVISA-py opened.

    PyVISA-py's own read can't tell a closed peer from silence and loops on it. So the socket is
    watched here: the system reports that bytes wait, MSG_PEEK how many, or that the stream has
    ended, and exactly so many are then read.
    """

    honours_timeout = True

    def __init__(self, instrument: Any, resource: str, sock: socket.socket) -> None:
        super().__init__(instrument, resource)
        self._socket = sock
        self._prepare()
        self._ignored = self._visalib.ignore_warning(self._handle, *self._instrument_warnings())
        self._ignored.__enter__()

    def receive(self, timeout_s: float) -> bytes:
        """Return up to 4 kB, waiting up to `timeout_s` for the first byte; or b''."""
        try:
            if not wait_readable(self._socket, timeout_s):
                return b""
            waiting = len(self._socket.recv(CHUNK_BYTES, socket.MSG_PEEK))
            if waiting == 0:
                raise EOFError  # noqa: TRY301 - mapped with all the others below
            data: bytes = self._visalib.read(self._handle, waiting)[0]
        except Exception as error:
            raise link_failed(error, self._resource, "reading") from error
        return data

    def has_input(self) -> bool:
        """True when bytes, or the end of the stream, wait to be read."""
        return wait_readable(self._socket, 0.0)

    def send(self, data: bytes) -> None:
        """Send `data`; a peer that accepts nothing is given up: PyVISA-py would wait for ever."""
        try:
            if not wait_writable(self._socket, SEND_TIMEOUT_S):
                raise LinkLost(  # noqa: TRY301 - passes through the mapping below unchanged
                    f"the counter takes no commands for {SEND_TIMEOUT_S:g} s. "
                    f"Check power and cable of {self._resource}."
                )
            self._visalib.write(self._handle, data)
        except Exception as error:
            raise link_failed(error, self._resource, "sending") from error

    def _prepare(self) -> None:
        """Check that the connection was made: PyVISA-py also "opens" a refused port.

        Raises:
            OSError: there is no connection.
        """
        refused = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if refused:
            raise OSError(refused, "connection failed")
        self._socket.getpeername()
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        keep_alive(self._socket)


def keep_alive(sock: socket.socket) -> None:
    """Turn on TCP keep-alive: some routers silently drop an idle connection."""
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (("TCP_KEEPIDLE", 30), ("TCP_KEEPINTVL", 10), ("TCP_KEEPCNT", 3)):
        if hasattr(socket, option):
            sock.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
