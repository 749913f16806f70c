"""Waiting until a socket, pipe or terminal can be read or written.

`select.select` takes no descriptor above 1023, and on Windows takes sockets only. `select.poll`
has no such limit, is missing on Windows, and on macOS does not work on terminals and devices.
"""

import errno
import math
import os
import select
import sys
from typing import Any, Final, Protocol

SELECT_LIMIT: Final = 1024
"""FD_SETSIZE of POSIX systems: `select.select` takes descriptors below it."""
LONGEST_WAIT_S: Final = 1e6
"""`poll` counts milliseconds in 32 bits."""


class HasDescriptor(Protocol):
    """A socket, or anything else that is open in this process."""

    def fileno(self) -> int:
        """Return its descriptor."""


def wait_readable(source: int | HasDescriptor, timeout_s: float) -> bool:
    """Wait for bytes, the end of the stream or an error; return whether there is one.

    Args:
        source: a socket; on systems other than Windows any descriptor but that of a file.
        timeout_s: seconds; 0 or less does not wait.

    Raises:
        OSError: `source` is not open, or this system can't wait for it.
        ValueError: `source` was closed.
    """
    return _wait(source, timeout_s, writing=False)


def wait_writable(source: int | HasDescriptor, timeout_s: float) -> bool:
    """Wait until bytes are accepted, or an error; otherwise as `wait_readable`."""
    return _wait(source, timeout_s, writing=True)


def uses_poll(descriptor: int, platform: str = sys.platform) -> bool:
    """Return whether to wait for a descriptor with `select.poll`."""
    if not hasattr(select, "poll"):
        return False
    return platform != "darwin" or descriptor >= SELECT_LIMIT


def _wait(source: int | HasDescriptor, timeout_s: float, *, writing: bool) -> bool:
    left_s = min(max(timeout_s, 0.0), LONGEST_WAIT_S)
    descriptor = source if isinstance(source, int) else source.fileno()
    if uses_poll(descriptor):
        return _polled(descriptor, left_s, writing=writing)
    reading, sending = ((), (source,)) if writing else ((source,), ())
    return any(select.select(reading, sending, (), left_s))


def _polled(descriptor: int, left_s: float, *, writing: bool) -> bool:
    library: Any = select  # a type checker for Windows knows no `poll`
    poll = library.poll()
    poll.register(descriptor, library.POLLOUT if writing else library.POLLIN)
    found = poll.poll(math.ceil(left_s * 1000))
    if found and found[0][1] & library.POLLNVAL:
        raise OSError(errno.EBADF, os.strerror(errno.EBADF))
    return bool(found)
