"""From a resource string to a guarded session."""

import socket
import threading
from typing import Any, Final

from benchwatch.bus.address import EXAMPLE, Address, parse_address
from benchwatch.bus.foreign import backend_failed, opening_failed
from benchwatch.bus.session import Session
from benchwatch.bus.wire import SocketWire, VisaWire, Wire
from benchwatch.clock import Clock, SystemClock
from benchwatch.errors import UsageError

DEFAULT_BACKEND: Final = "@py"
OPEN_TIMEOUT_S: Final = 5.0
"""An absent host is given up after this long."""

_manager_lock = threading.Lock()


def open_link(
    resource: str,
    *,
    clock: Clock | None = None,
    backend: str = DEFAULT_BACKEND,
    timeout_s: float = OPEN_TIMEOUT_S,
    cancel: threading.Event | None = None,
) -> Session:
    """Open `resource`; call it on the thread that will own the link, as absent hosts hang.

    Args:
        resource: A VISA resource string such as ``TCPIP0::127.0.0.1::5025::SOCKET``.
        clock: Where deadlines come from.
        backend: Which VISA library, as PyVISA names it: ``@py``, ``@ivi``, ``bench.yaml@sim``.
        timeout_s: How long to wait for the connection.
        cancel: When set, every wait of the session ends within 0.2 s.

    Raises:
        UsageError: no such resource string or backend.
        ConnectionFailed: nothing answers there.
    """
    address = parse_address(resource)
    wire = _open_wire(address, backend, timeout_s)
    return Session(wire, clock=clock or SystemClock(), cancel=cancel)


def _open_wire(address: Address, backend: str, timeout_s: float) -> Wire:
    if backend == DEFAULT_BACKEND and address.kind != ("TCPIP", "SOCKET"):
        raise UsageError(
            f"{address.interface} {address.resource_class} resources such as {address.resource} "
            f"can't be opened with the backend '{backend}' yet. "
            f"Use a raw socket such as {EXAMPLE}, or another VISA with --backend @ivi."
        )
    manager = _manager(backend)
    from pyvisa.constants import StatusCode  # noqa: PLC0415 - loaded by the manager
    from pyvisa.errors import VisaIOError  # noqa: PLC0415 - likewise

    try:
        instrument = manager.open_resource(
            address.resource,
            open_timeout=round(timeout_s * 1000),
            write_termination="",
            read_termination=None,
        )
        if not instrument.session:
            # a backend that returns a status from open, and raises nothing
            raise VisaIOError(StatusCode.error_resource_not_found)  # noqa: TRY301 - mapped below
    except Exception as error:
        raise opening_failed(error, address.resource) from error
    try:
        sock = _socket_of(instrument)
        if sock is not None:
            return SocketWire(instrument, address.resource, sock)
        return VisaWire(instrument, address.resource)
    except Exception as error:
        VisaWire(instrument, address.resource).close()
        raise opening_failed(error, address.resource) from error


def _manager(backend: str) -> Any:
    """Return PyVISA's resource manager: one a backend and process, and never closed.

    Closing it would end every session of the process.
    """
    import pyvisa  # noqa: PLC0415 - costs 80 ms, and most commands open no link

    with _manager_lock:
        try:
            return pyvisa.ResourceManager(backend)
        except Exception as error:
            raise backend_failed(error, backend) from error


def _socket_of(instrument: Any) -> socket.socket | None:
    """Return the socket inside a PyVISA-py SOCKET session; None on other buses and backends."""
    sessions = getattr(instrument.visalib, "sessions", None)
    inner = sessions.get(instrument.session) if isinstance(sessions, dict) else None
    sock = getattr(inner, "interface", None)
    return sock if isinstance(sock, socket.socket) else None
