"""The instrument buses; the only folder that imports PyVISA.

In: a resource string, such as ``TCPIP0::192.168.1.20::5025::SOCKET`` or a file's path. Out: a
`Session`, the link of a driver, opened by `Buses.open_link`; and lists of the resources that could
be opened (`listing`, imported by what searches only). PyVISA is imported when the first link is
opened, not before: it costs 80 ms.
"""

from benchwatch.bus.opening import DEFAULT_BACKEND, Buses, check_backend
from benchwatch.bus.session import Session

__all__ = [
    "DEFAULT_BACKEND",
    "Buses",
    "Session",
    "check_backend",
]
