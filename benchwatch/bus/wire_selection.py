"""Selects the wire for a resource that PyVISA opened."""

import socket
from typing import Any

from benchwatch.bus.hislip import HislipWire
from benchwatch.bus.serial_line import SerialWire
from benchwatch.bus.vxi11 import Vxi11Wire
from benchwatch.bus.wire import SocketWire, VisaWire, Wire


def wire_for(instrument: Any, resource: str) -> Wire:
    """Return the wire for an open VISA resource.

    PyVISA-py's own reads and writes lose bytes or never return on every bus, so its session is
    recognised by its attributes and used directly. All others are read through VISA.
    """
    session = _session_in(instrument)
    inner = getattr(session, "interface", None)
    if isinstance(inner, socket.socket):
        return SocketWire(instrument, resource, inner)
    if _has(inner, "_sync", "_payload_remaining", "_msg_type", "last_message_id", "timeout"):
        return HislipWire(instrument, resource, inner)
    if _has(inner, "sock", "device_read", "device_local") and _has(session, "link"):
        return Vxi11Wire(instrument, resource, session)
    if _has(inner, "in_waiting", "write_timeout", "exclusive"):
        return SerialWire(instrument, resource, inner)
    return VisaWire(instrument, resource)


def _session_in(instrument: Any) -> Any:
    """Return PyVISA-py's session behind a resource; None with another backend."""
    sessions = getattr(instrument.visalib, "sessions", None)
    return sessions.get(instrument.session) if isinstance(sessions, dict) else None


def _has(thing: Any, *names: str) -> bool:
    return all(hasattr(thing, name) for name in names)
