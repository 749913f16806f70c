"""Opening files for reading as bytes, never waiting for a writer, never in a writer's way."""

import os
import sys
from pathlib import Path
from typing import Any, Final

from benchwatch.system.optional_module import optional_module

_GENERIC_READ: Final = 0x8000_0000
_SHARE_ALL: Final = 0x1 | 0x2 | 0x4
"""Others may read, write, rename and delete the file meanwhile (Windows: FILE_SHARE_*)."""
_OPEN_EXISTING: Final = 3
_ATTRIBUTE_NORMAL: Final = 0x80


def read_flags() -> int:
    """Return the flags by which `os.open` opens a file or a pipe for reading as bytes.

    O_BINARY: Windows would else turn CR LF into LF and stop at Ctrl-Z. O_NONBLOCK: opening a named
    pipe would else wait for a writer. O_NOCTTY: a terminal would else become that of the process.
    """
    flags = os.O_RDONLY
    for name in ("O_BINARY", "O_NONBLOCK", "O_NOCTTY"):
        flags |= getattr(os, name, 0)
    return flags


def open_shared(path: str | Path, platform: str = sys.platform) -> int:
    """Open a file that another program writes; return a descriptor for reading bytes.

    On Windows a file that is open in the usual way can't be renamed or deleted by the program that
    writes it, which would end a logger that begins a new file each day.

    Raises:
        OSError: it can't be opened.
    """
    if platform != "win32":
        return os.open(path, read_flags())
    ctypes, msvcrt = optional_module("ctypes"), optional_module("msvcrt")
    kernel = ctypes.WinDLL("kernel32", use_last_error=True)
    kernel.CreateFileW.restype = ctypes.c_void_p
    kernel.CreateFileW.argtypes = [
        ctypes.c_wchar_p, ctypes.c_uint32, ctypes.c_uint32, ctypes.c_void_p,
        ctypes.c_uint32, ctypes.c_uint32, ctypes.c_void_p,
    ]  # fmt: skip
    handle = kernel.CreateFileW(
        str(path), _GENERIC_READ, _SHARE_ALL, None, _OPEN_EXISTING, _ATTRIBUTE_NORMAL, None
    )
    if handle in {None, ctypes.c_void_p(-1).value}:
        error: Any = ctypes.WinError(ctypes.get_last_error())
        raise error
    descriptor: int = msvcrt.open_osfhandle(handle, read_flags())
    return descriptor
