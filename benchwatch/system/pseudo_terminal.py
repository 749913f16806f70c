"""Pseudo-terminals: a serial line without a wire, for simulated instruments."""

import errno
import os
from typing import Any

CHUNK_BYTES = 4096


def open_pseudo_terminal() -> tuple[int, int, str]:
    """Open a pseudo-terminal.

    Returns:
        The descriptor of the near end, whose reads do not wait; that of the far end, and its path.

    Raises:
        OSError: this system has none, as Windows.
    """
    library: Any = os  # a type checker for Windows knows no `openpty`
    if not hasattr(library, "openpty"):
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    near, far = library.openpty()
    library.set_blocking(near, False)
    return near, far, library.ttyname(far)


def read_near_end(near: int) -> bytes | None:
    """Return the bytes written at the far end, b'' if there are none, None if nobody has it open.

    Linux reports a far end that is closed by the error EIO, macOS by the end of the file.
    """
    try:
        return os.read(near, CHUNK_BYTES) or None
    except BlockingIOError:
        return b""
    except OSError:
        return None
