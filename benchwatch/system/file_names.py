"""Names of files: replacing one, keeping the new name, and telling a path from other words."""

import errno
import ntpath
import os
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Final

RETRY_S: Final = 0.05
LONGEST_RETRY_S: Final = 1.0
"""How long others may have a file open that is to be replaced, such as a virus scanner."""
_OPEN_ELSEWHERE: Final = frozenset({5, 32, 33})
"""Windows: ERROR_ACCESS_DENIED, ERROR_SHARING_VIOLATION, ERROR_LOCK_VIOLATION."""


def replace_file(source: Path, target: Path) -> None:
    """Rename a file, over one that is there.

    Windows refuses while another program has the file open, which scanners of files do for a
    moment; it is tried again for `LONGEST_RETRY_S`.

    Raises:
        OSError: it can't be renamed.
    """
    tries = round(LONGEST_RETRY_S / RETRY_S)
    for left in range(tries, -1, -1):
        try:
            source.replace(target)
        except PermissionError as error:
            if getattr(error, "winerror", None) not in _OPEN_ELSEWHERE:
                raise
            if not left:
                raise PermissionError(
                    errno.EACCES, "another program has it open; close it there", str(target)
                ) from error
            time.sleep(RETRY_S)
        else:
            return


def home_path(text: str) -> Path:
    """Return a path in which a leading ``~`` stands for the home of the user.

    Of a user who is not known, as in ``~nobody/x``, it stays: such a file is simply not there.
    """
    return Path(os.path.expanduser(text))  # noqa: PTH111 - that of pathlib raises for such a user


def renames_open_files(platform: str = sys.platform) -> bool:
    """Return whether a file can be renamed and deleted while it is open."""
    return platform != "win32"


def sync_folder(folder: Path) -> None:
    """Bring new names in a folder to the disk, where folders can be opened.

    macOS does not wait for the drive itself (`fsync` of macOS); Windows has no such call.
    """
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def looks_like_path(text: str, platform: str = sys.platform) -> bool:
    r"""Return whether a word can only be the path of a file, such as ``./a``, ``~/a``, ``C:\a``.

    A drive letter counts on Windows only: elsewhere it is the beginning of a name like any other.
    """
    if "/" in text or text.startswith("~"):
        return True
    return platform == "win32" and ("\\" in text or bool(ntpath.splitdrive(text)[0]))
