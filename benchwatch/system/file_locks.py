"""Locks on files and folders that end with the program which holds them.

POSIX systems lock with `fcntl.flock`. Windows locks bytes of a file with `msvcrt.locking`; no
other program can read a locked byte, so it is one far behind the end. A folder can't be opened
there, so a file in the user's folder for temporary files stands for it.
"""

import errno
import hashlib
import os
import sys
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Final

from benchwatch.system.optional_module import optional_module

LOCKED_BYTE: Final = 0x7FFF_FFF0
"""Position of the byte that is locked on Windows; files of this size are not written here."""
STANDS_FOR_FOLDER: Final = "benchwatch-{digest}.lock"


def lock_file(handle: int) -> None:
    """Lock an open file for this program alone, without waiting.

    Args:
        handle: a file descriptor; the lock ends when it is closed.

    Raises:
        BlockingIOError: another program has locked it.
        OSError: this file can't be locked, as on some network file systems.
    """
    fcntl = optional_module("fcntl")
    if fcntl is not None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return
    msvcrt = optional_module("msvcrt")
    if msvcrt is None:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS))
    position = os.lseek(handle, 0, os.SEEK_CUR)
    os.lseek(handle, LOCKED_BYTE, os.SEEK_SET)
    try:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    except OSError as error:
        if error.errno in {errno.EACCES, errno.EDEADLK}:  # how `locking` says that it is taken
            raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN)) from error
        raise
    finally:
        os.lseek(handle, position, os.SEEK_SET)


def open_folder_to_lock(folder: Path, platform: str = sys.platform) -> int | None:
    """Open a folder, or the file that stands for it, to be locked by `lock_file`.

    Args:
        folder: an existing folder.
        platform: as `sys.platform`.

    Returns:
        A file descriptor; None: it can't be opened, and there is no lock.
    """
    with suppress(OSError):
        if platform != "win32":
            return os.open(folder, os.O_RDONLY)
        # names of files differ in case only for people there
        digest = hashlib.sha256(str(folder.resolve()).casefold().encode()).hexdigest()[:32]
        name = Path(tempfile.gettempdir()) / STANDS_FOR_FOLDER.format(digest=digest)
        return os.open(name, os.O_RDWR | os.O_CREAT)
    return None
