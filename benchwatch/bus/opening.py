"""Opens links: from a resource string to a guarded session."""

import contextlib
import socket
import threading
import traceback
from collections.abc import Callable
from functools import partial
from typing import Any, Final

from benchwatch.bus.exception_mapping import backend_failed, opening_failed
from benchwatch.bus.file_wire import file_of, open_file_wire
from benchwatch.bus.lan_gpib import LanGpibWire
from benchwatch.bus.lan_gpib_controller import Controllers
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
"""Kinds of resources that PyVISA-py can open; GPIB and USB need more libraries and hardware."""
OPEN_TIMEOUT_S: Final = 5.0
"""An absent host is given up after this long."""
CANCEL_SLICE_S: Final = 0.05
"""A stop takes effect within this while a connection is being opened."""
_SOCKET_HOLDERS: Final = ("_sync", "_async", "sock", "interface")
"""Attributes in which PyVISA-py's HiSLIP, VXI-11 and raw sessions keep their sockets."""


class Buses:
    """Opens links, and holds the state that the links of one run share.

    Args:
        standard_input: file descriptor on which readings come for the resource ``-``.
    """

    def __init__(self, standard_input: int = 0) -> None:
        self._standard_input = standard_input
        self._controllers = Controllers()
        self._cut_pipes: set[str] = set()
        self._manager_lock = threading.Lock()

    def open_link(
        self,
        resource: str,
        *,
        clock: Clock | None = None,
        backend: str = DEFAULT_BACKEND,
        timeout_s: float = OPEN_TIMEOUT_S,
        cancel: threading.Event | None = None,
    ) -> Session:
        """Open `resource`. Call it on the thread that will own the link: it may block.

        Args:
            resource: A VISA resource string such as ``TCPIP0::127.0.0.1::5025::SOCKET``, a file
                (``FILE::/path`` or a path), or ``-`` for standard input.
            clock: Clock of the deadlines.
            backend: Which VISA library, as PyVISA names it: ``@py``, ``@ivi``, ``bench.yaml@sim``.
            timeout_s: How long to wait for the connection.
            cancel: When set, opening and every wait of the session end within 0.2 s.

        Raises:
            UsageError: the resource string or the backend can't be used.
            ConnectionFailed: nothing answers there.
        """
        path = file_of(resource)
        wire: Wire
        if path is not None:
            wire = open_file_wire(
                path,
                resource,
                standard_input=self._standard_input,
                cut_pipes=self._cut_pipes,
            )
        else:
            open_wire = partial(self._open_wire, parse_address(resource), backend, timeout_s)
            wire = open_wire() if cancel is None else _Opening(resource, open_wire).result(cancel)
        return Session(wire, clock=clock or SystemClock(), cancel=cancel)

    def _open_wire(self, address: Address, backend: str, timeout_s: float) -> Wire:
        if backend == DEFAULT_BACKEND and address.kind not in PY_KINDS:
            raise UsageError(
                f"{address.interface} {address.resource_class} resources such as "
                f"{address.resource} can't be opened with the backend '{backend}'. "
                f"Use a raw socket such as {EXAMPLE}, or another VISA with --backend @ivi."
            )
        if address.interface == "LANGPIB":
            to_controller = parse_address(f"TCPIP0::{address.host}::{address.port}::SOCKET")
            open_socket = partial(self._open_wire, to_controller, backend, timeout_s)
            return LanGpibWire(address, self._controllers, open_socket)
        with self._manager_lock:
            manager = _manager(backend)
        return _open_visa_wire(address, manager, timeout_s)


class _Opening:
    """Opens a wire on a thread of its own, as nothing can interrupt a connect or a name look-up.

    The caller may stop waiting; a wire that is opened after that is closed.
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
        except Exception as error:  # noqa: BLE001 - raised again in the thread that waits
            self._error = opening_failed(error, self._resource)
        else:
            self._wire = wire
        with self._lock:
            self._done.set()
            if self._abandoned and self._wire is not None:
                self._wire.close()


def _open_visa_wire(address: Address, manager: Any, timeout_s: float) -> Wire:
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
            # some backends report a failed open by a status only, and raise nothing
            raise VisaIOError(StatusCode.error_resource_not_found)  # noqa: TRY301 - mapped below
    except Exception as error:
        _close_sockets(error)
        raise opening_failed(error, address.resource) from error
    try:
        if address.serial is not None:
            set_line(instrument, address.serial)
        return wire_for(instrument, address)
    except Exception as error:
        VisaWire(instrument, address.resource).close()
        raise opening_failed(error, address.resource) from error


def check_backend(backend: str) -> None:
    """Load a VISA library early, so that a missing one is reported at the start.

    Raises:
        UsageError: the library can't be used.
    """
    if backend != DEFAULT_BACKEND:
        _manager(backend)


def _manager(backend: str) -> Any:
    """Return PyVISA's resource manager, which is never closed.

    PyVISA keeps one for each backend and process; closing it would end every session.
    """
    import pyvisa  # noqa: PLC0415 - costs 80 ms, and most commands open no link

    try:
        return pyvisa.ResourceManager(backend)
    except Exception as error:
        raise backend_failed(error, backend) from error


def _close_sockets(error: BaseException) -> None:
    """Close the sockets that PyVISA-py leaves open when an open fails.

    Nothing refers to them but the frames of `error` and of its causes. Garbage collection would
    close them later; until then one try a second would leak one file handle a second.
    """
    below: BaseException | None = error
    while below is not None:
        for frame, _ in traceback.walk_tb(below.__traceback__):
            _close_in(frame.f_locals.get("self"), depth=2)
        below = below.__cause__ or below.__context__


def _close_in(holder: Any, *, depth: int) -> None:
    for name in _SOCKET_HOLDERS:
        held = getattr(holder, name, None)
        if isinstance(held, socket.socket):
            with contextlib.suppress(OSError):
                held.close()
        elif held is not None and depth > 1:
            _close_in(held, depth=depth - 1)
