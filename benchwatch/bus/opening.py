"""From a resource string to a guarded session."""

import threading
from collections.abc import Callable
from typing import Any, Final

from benchwatch.bus.exception_mapping import backend_failed, opening_failed
from benchwatch.bus.failed_open import close_sockets
from benchwatch.bus.file_wire import file_of, open_file_wire
from benchwatch.bus.lan_gpib import LanGpibWire
from benchwatch.bus.resource_string import EXAMPLE, Address, parse_address
from benchwatch.bus.serial_line import set_line
from benchwatch.bus.session import Session
from benchwatch.bus.wire import VisaWire, Wire
from benchwatch.bus.wire_selection import wire_for
from benchwatch.clock import Clock, SystemClock
from benchwatch.errors import BenchwatchError, LinkLost, UsageError

DEFAULT_BACKEND: Final = "@py"
PY_KINDS: Final = {
    ("TCPIP", "SOCKET"), ("TCPIP", "INSTR"), ("ASRL", "INSTR"), ("GPIB", "INSTR"), ("USB", "INSTR"),
    ("LANGPIB", "INSTR"),
}  # fmt: skip
"""What PyVISA-py can open, GPIB and USB with more libraries and hardware."""
OPEN_TIMEOUT_S: Final = 5.0
"""An absent host is given up after this long."""
CANCEL_SLICE_S: Final = 0.05
"""How soon a stop is heard while a connection is being opened."""

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
        resource: A VISA resource string such as ``TCPIP0::127.0.0.1::5025::SOCKET``, a file
            (``FILE::/path`` or a path), or ``-`` for standard input.
        clock: Where deadlines come from.
        backend: Which VISA library, as PyVISA names it: ``@py``, ``@ivi``, ``bench.yaml@sim``.
        timeout_s: How long to wait for the connection.
        cancel: When set, opening and every wait of the session end within 0.2 s.

    Raises:
        UsageError: no such resource string or backend.
        ConnectionFailed: nothing answers there.
    """
    path = file_of(resource)
    if path is not None:
        file = open_file_wire(path, resource)
        return Session(file, clock=clock or SystemClock(), cancel=cancel)
    address = parse_address(resource)
    if cancel is None:
        wire = _open_wire(address, backend, timeout_s)
    else:
        wire = _Opening(resource, lambda: _open_wire(address, backend, timeout_s)).result(cancel)
    return Session(wire, clock=clock or SystemClock(), cancel=cancel)


class _Opening:
    """Opens a wire on a thread of its own, as nothing can interrupt a connect or a name search.

    Whoever waits may go; a wire that then still comes is closed.
    """

    def __init__(self, resource: str, opening: Callable[[], Wire]) -> None:
        self._resource = resource
        self._open = opening
        self._lock = threading.Lock()
        self._done = threading.Event()
        self._abandoned = False
        self._wire: Wire | None = None
        self._error: BenchwatchError | None = None
        threading.Thread(target=self._run, name="open link", daemon=True).start()

    def result(self, cancel: threading.Event) -> Wire:
        """Wait for the wire, but not past `cancel`."""
        while not self._done.wait(CANCEL_SLICE_S):
            with self._lock:
                if cancel.is_set() and not self._done.is_set():
                    self._abandoned = True
                    raise LinkLost("the wait for the connection was stopped.")
        if self._error is not None:
            raise self._error
        assert self._wire is not None
        return self._wire

    def _run(self) -> None:
        try:
            wire = self._open()
        except Exception as error:  # noqa: BLE001 - whatever it is, it is told to who waits
            self._error = opening_failed(error, self._resource)
        else:
            self._wire = wire
        with self._lock:
            self._done.set()
            if self._abandoned and self._wire is not None:
                self._wire.close()


def _open_wire(address: Address, backend: str, timeout_s: float) -> Wire:
    if backend == DEFAULT_BACKEND and address.kind not in PY_KINDS:
        raise UsageError(
            f"{address.interface} {address.resource_class} resources such as {address.resource} "
            f"can't be opened with the backend '{backend}'. "
            f"Use a raw socket such as {EXAMPLE}, or another VISA with --backend @ivi."
        )
    if address.interface == "LANGPIB":
        socket_of = f"TCPIP0::{address.host}::{address.port}::SOCKET"
        return LanGpibWire(
            address, lambda: _open_wire(parse_address(socket_of), backend, timeout_s)
        )
    manager = _manager(backend)
    from pyvisa.constants import StatusCode  # noqa: PLC0415 - loaded by the manager
    from pyvisa.errors import VisaIOError  # noqa: PLC0415 - likewise

    try:
        instrument = manager.open_resource(
            address.visa,
            open_timeout=round(timeout_s * 1000),
            write_termination="",
            read_termination=None,
        )
        if not instrument.session:
            # a backend that returns a status from open, and raises nothing
            raise VisaIOError(StatusCode.error_resource_not_found)  # noqa: TRY301 - mapped below
    except Exception as error:
        close_sockets(error)
        raise opening_failed(error, address.resource) from error
    try:
        if address.serial is not None:
            set_line(instrument, address.serial)
        return wire_for(instrument, address.resource)
    except Exception as error:
        VisaWire(instrument, address.resource).close()
        raise opening_failed(error, address.resource) from error


def check_backend(backend: str) -> None:
    """Load a VISA library before anything else is done; `DEFAULT_BACKEND` is always there.

    Raises:
        UsageError: it can't be used.
    """
    if backend != DEFAULT_BACKEND:
        _manager(backend)


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
