"""Writes new files and folders, private ones for their owner only, and nothing over another."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from benchwatch.errors import FileError, UsageError
from benchwatch.relay.certificate_files import shown
from benchwatch.system.file_names import replace_file, sync_folder

PRIVATE: Final = 0o600
PUBLIC: Final = 0o644
_MOST_SHOWN: Final = 6


@contextmanager
def new_folder(path: Path) -> Iterator[Path]:
    """Yield a folder that gets the name `path` when all is in it, and is removed on an error.

    Only its owner may look into it.

    Raises:
        UsageError: there is something at `path` already.
        FileError: it can't be made.
    """
    refuse_what_is_there(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=".benchwatch-", dir=path.parent))
    except OSError as error:
        raise FileError(f"{shown(path)} can't be made: {error.strerror}.") from error
    try:
        yield beside
        refuse_what_is_there(path)
        _take_name(beside, path)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def refuse_what_is_there(path: Path) -> None:
    """Refuse a path at which there is something else than an empty folder.

    Raises:
        UsageError: there is; the message says what.
    """
    if not os.path.lexists(path):
        return
    if not path.is_dir():
        raise UsageError(f"{shown(path)} is a file, and stays as it is. Choose another name.")
    try:
        names = sorted(one.name for one in path.iterdir())
    except OSError as error:
        raise FileError(f"{shown(path)} can't be read: {error.strerror}.") from error
    if not names:
        return
    listed = ", ".join(shown(Path(name)) for name in names[:_MOST_SHOWN])
    more = f" and {len(names) - _MOST_SHOWN} more" if len(names) > _MOST_SHOWN else ""
    raise UsageError(
        f"there is already something in {shown(path)}, and it stays as it is: {listed}{more}. "
        "Choose another folder, or move this one away."
    )


def write_new(path: Path, content: bytes, mode: int = PUBLIC) -> None:
    """Write a file that is not there yet, and bring it to the disk.

    Raises:
        UsageError: it is there.
        FileError: it can't be written.
    """
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, mode)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    except FileExistsError as error:
        raise UsageError(f"there is already {shown(path)}, and it stays as it is.") from error
    except OSError as error:
        raise FileError(f"{shown(path)} can't be written: {error.strerror}.") from error


def rewrite(path: Path, content: bytes) -> None:
    """Write a file again, whole or not at all.

    Raises:
        FileError: it can't be written.
    """
    beside = path.with_name(f".{path.name}.part")
    try:
        beside.unlink(missing_ok=True)
        write_new(beside, content)
        replace_file(beside, path)
        sync_folder(path.parent)
    except OSError as error:
        raise FileError(f"{shown(path)} can't be written: {error.strerror}.") from error


_BINARY: Final = getattr(os, "O_BINARY", 0)
"""Windows writes line ends otherwise without it."""


def _take_name(beside: Path, path: Path) -> None:
    try:
        if path.is_dir():
            path.rmdir()
        beside.rename(path)
        sync_folder(path.parent)
    except OSError as error:
        raise FileError(f"{shown(path)} can't be made: {error.strerror}.") from error
