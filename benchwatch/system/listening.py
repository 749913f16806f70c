"""Taking a port to listen on, alone and without waiting for old connections to be forgotten."""

import os
import socket


def take_port_alone(listening: socket.socket, system: str = os.name) -> None:
    """Set the option by which a socket is bound; call it before `bind`.

    On POSIX systems SO_REUSEADDR lets a port be taken again while old connections end. On Windows
    it would let a second program take a port that is in use; SO_EXCLUSIVEADDRUSE prevents that.

    Args:
        listening: a socket that is not bound yet.
        system: as `os.name`.
    """
    if system == "posix":
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    elif hasattr(socket, "SO_EXCLUSIVEADDRUSE"):
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
