"""Selects the wire for a resource that PyVISA opened."""

import inspect
import socket
from importlib.metadata import PackageNotFoundError, version
from typing import Any, Final

from benchwatch.bus.hislip import HislipWire
from benchwatch.bus.resource_string import Address
from benchwatch.bus.serial_line import SerialWire
from benchwatch.bus.vxi11 import Vxi11Wire
from benchwatch.bus.wire import SocketWire, VisaWire, Wire
from benchwatch.errors import ConnectionFailed
from benchwatch.system.installation import install_words

TESTED_PYVISA_PY: Final = "0.8.1"
"""Version of PyVISA-py whose sessions are known; a later one may be built differently."""
OWN_WIRES: Final = {("TCPIP", "SOCKET"), ("TCPIP", "INSTR"), ("ASRL", "INSTR")}
"""Kinds of resources on which PyVISA-py's own reads lose bytes or never return."""


def wire_for(instrument: Any, address: Address) -> Wire:
    """Return the wire for an open VISA resource.

    PyVISA-py's own reads and writes lose bytes or never return on most buses, so its session is
    recognised by its attributes and used directly. All others are read through VISA.

    Raises:
        ConnectionFailed: this version of PyVISA-py keeps its connection in an unknown way.
    """
    session = _session_in(instrument)
    inner = getattr(session, "interface", None)
    resource = address.resource
    if isinstance(inner, socket.socket):
        return SocketWire(instrument, resource, inner)
    if _is_hislip(inner):
        return HislipWire(instrument, resource, inner)
    if _is_vxi11(inner) and _has(session, "link"):
        return Vxi11Wire(instrument, resource, session)
    if _has(inner, "in_waiting", "write_timeout", "exclusive"):
        return SerialWire(instrument, resource, inner)
    if address.kind in OWN_WIRES and _is_pyvisa_py(instrument):
        raise ConnectionFailed(
            f"PyVISA-py {_pyvisa_py_version()} keeps its connection in a way that Benchwatch does "
            f"not know, and {resource} can't be read safely. Install the version that is tested: "
            + install_words(f"pyvisa-py=={TESTED_PYVISA_PY}")
        )
    return VisaWire(instrument, resource)


def _is_hislip(inner: Any) -> bool:
    """Return whether `inner` is PyVISA-py's HiSLIP client, with all that `HislipWire` uses."""
    return (
        isinstance(getattr(inner, "_sync", None), socket.socket)
        and isinstance(getattr(inner, "_payload_remaining", None), int)
        and isinstance(getattr(inner, "_msg_type", None), str)
        and _has(inner, "last_message_id", "timeout")
        and _takes(inner, "async_remote_local_control", 1)
    )


def _is_vxi11(inner: Any) -> bool:
    """Return whether `inner` is PyVISA-py's VXI-11 client, with all that `Vxi11Wire` uses."""
    return (
        isinstance(getattr(inner, "sock", None), socket.socket)
        and _takes(inner, "device_read", 6)
        and _takes(inner, "device_local", 4)
    )


def _is_pyvisa_py(instrument: Any) -> bool:
    return type(instrument.visalib).__module__.partition(".")[0] == "pyvisa_py"


def _pyvisa_py_version() -> str:
    try:
        return version("pyvisa-py")
    except PackageNotFoundError:  # imported from a folder without metadata
        return "(version unknown)"


def _session_in(instrument: Any) -> Any:
    """Return PyVISA-py's session behind a resource; None with another backend."""
    sessions = getattr(instrument.visalib, "sessions", None)
    return sessions.get(instrument.session) if isinstance(sessions, dict) else None


def _has(thing: Any, *names: str) -> bool:
    return all(hasattr(thing, name) for name in names)


def _takes(thing: Any, name: str, count: int) -> bool:
    """Return whether `thing` has a method `name` that can be called with `count` arguments."""
    method = getattr(thing, name, None)
    if not callable(method):
        return False
    try:
        inspect.signature(method).bind(*range(count))
    except TypeError:
        return False
    return True
