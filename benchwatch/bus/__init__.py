"""The instrument buses: the only room that imports PyVISA.

    opening    open_link(): resource string -> guarded session
    session    whole lines, deadlines, late answers dropped; one owner thread
    wire       bytes on one bus; a new bus is a new wire here and an entry in `opening`
    file_wire  a file or pipe that another program writes, as a wire
    listing    what is there, without opening anything; which VISA libraries there are
    address    what a resource string says, checked before anything is opened
    foreign    every exception of the libraries below, as one of ours

PyVISA is imported when the first link is opened, not before: it costs 80 ms.
"""

from benchwatch.bus.listing import (
    Backend,
    ListedResource,
    ResourceLister,
    backends,
    listers,
    serial_ports,
)
from benchwatch.bus.opening import DEFAULT_BACKEND, check_backend, open_link
from benchwatch.bus.session import Session

__all__ = [
    "DEFAULT_BACKEND",
    "Backend",
    "ListedResource",
    "ResourceLister",
    "Session",
    "backends",
    "check_backend",
    "listers",
    "open_link",
    "serial_ports",
]
