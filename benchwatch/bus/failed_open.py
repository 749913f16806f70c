"""What PyVISA-py leaves behind when an open fails: its sockets, which nobody can reach any more.

Garbage collection would find them in time; until then a try a second is a file handle a second.
"""

import contextlib
import socket
import traceback
from typing import Any, Final

_HOLDERS: Final = ("_sync", "_async", "sock", "interface")
"""Where its HiSLIP, VXI-11 and raw sessions keep them."""


def close_sockets(error: BaseException) -> None:
    """Close the sockets in the frames that `error`, and what caused it, went through."""
    below: BaseException | None = error
    while below is not None:
        for frame, _ in traceback.walk_tb(below.__traceback__):
            _close_in(frame.f_locals.get("self"), depth=2)
        below = below.__cause__ or below.__context__


def _close_in(holder: Any, *, depth: int) -> None:
    for name in _HOLDERS:
        held = getattr(holder, name, None)
        if isinstance(held, socket.socket):
            with contextlib.suppress(OSError):
                held.close()
        elif held is not None and depth > 1:
            _close_in(held, depth=depth - 1)
