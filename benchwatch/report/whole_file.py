"""Writes a file whole or not at all, whatever happens meanwhile.

It is written under a name of its own beside its place, and gets its name at the end. What a program
that was killed left behind is removed by the next one that writes into the folder.
"""

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO, Final

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import printable
from benchwatch.system.file_locks import lock_file
from benchwatch.system.file_names import renames_open_files, replace_file, sync_folder

LONGEST_SHOWN: Final = 300
"""Characters of a path that a sentence shows."""
_TRIES: Final = 20
BESIDE_PREFIX, BESIDE_SUFFIX = ".benchwatch-", ".part"
"""Name of a file that has not got its own name yet."""


Content = bytes | Callable[[BinaryIO], None]
"""Content of a file, or a function that writes it into the open file."""


def write_whole(path: Path, content: Content, *, replaces: bool) -> None:
    """Write a file under a name of its own beside it, and give it its name at the end.

    Args:
        path: of the file; its folder must be there.
        content: all of it, or what writes it.
        replaces: whether a file that is already there is replaced; else it stays as it is.

    Raises:
        UsageError: the file is there, and `replaces` is False.
        FileError: it can't be written.
    """
    if not replaces and os.path.lexists(path):
        raise UsageError(_there(path))
    with written_beside(path, content) as beside:
        give_name(beside, path, replaces=replaces)


@contextmanager
def written_beside(path: Path, content: Content) -> Iterator[Path]:
    """Yield the path of a file beside `path` that has the content and is on the disk.

    It is removed afterwards, unless `give_name` gave it its name.

    Raises:
        FileError: it can't be written.
    """
    beside: Path | None = None
    handle = -1
    try:
        with _file_errors(path):
            _remove_left_behind(path.parent)
            handle, beside = _new_file(path.parent)
            with open(handle, "wb", closefd=False) as file:
                if isinstance(content, bytes):
                    file.write(content)
                else:
                    content(file)
                file.flush()
                os.fsync(handle)
            _take_usual_mode(beside)
            if not renames_open_files():
                os.close(handle)
                handle = -1
        yield beside
    finally:
        if beside is not None:
            with suppress(OSError):
                beside.unlink()
        if handle >= 0:
            os.close(handle)


def give_name(beside: Path, path: Path, *, replaces: bool) -> None:
    """Give a file of `written_beside` its name, which is on the disk on return.

    Raises:
        UsageError: a file of that name is there, and `replaces` is False.
        FileError: it can't get the name.
    """
    with _file_errors(path):
        try:
            if replaces:
                replace_file(beside, path)
            else:
                _give_new_name(beside, path)
        except FileExistsError as error:
            raise UsageError(_there(path)) from error
        sync_folder(path.parent)


def shown_path(path: Path) -> str:
    """Return a path as a sentence shows it."""
    return printable(str(path), LONGEST_SHOWN)


def _there(path: Path) -> str:
    return f"{shown_path(path)} exists, and stays as it is. Choose another name."


@contextmanager
def _file_errors(path: Path) -> Iterator[None]:
    """Raise errors of the file system as sentences about the file that was to be written."""
    try:
        yield
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise FileError(
            f"{shown_path(path)} can't be written: {printable(why, 200)}. Choose another place."
        ) from error


def _take_usual_mode(beside: Path) -> None:
    """Let others read the file, as far as the user's usual rights for new files go."""
    mask = os.umask(0)
    os.umask(mask)
    with suppress(OSError):
        beside.chmod(0o666 & ~mask)


def _give_new_name(beside: Path, path: Path) -> None:
    """Give a written file its name, which must be free at that moment.

    Raises:
        FileExistsError: it is not.
    """
    try:
        os.link(beside, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links: take the name first, then the content
        path.open("xb").close()
        replace_file(beside, path)


# -------------------------------------------------------- what killed programs left behind


def _new_file(folder: Path) -> tuple[int, Path]:
    """Make a file that is locked; return its handle and its path."""
    for _ in range(_TRIES):
        handle, name = tempfile.mkstemp(prefix=BESIDE_PREFIX, suffix=BESIDE_SUFFIX, dir=folder)
        with suppress(OSError):  # some network file systems have no locks
            lock_file(handle)
        with suppress(FileNotFoundError):
            if os.path.samestat(Path(name).stat(), os.fstat(handle)):
                return handle, Path(name)
        os.close(handle)  # another program took it for one that was left behind
    raise FileError(f"no file can be made in {shown_path(folder)}: other programs remove it.")


def _remove_left_behind(folder: Path) -> None:
    """Remove files that never got their name: those that no living program has locked."""
    if not renames_open_files():  # there a file is closed, and so unlocked, before it gets its name
        return
    for left in folder.glob(f"{BESIDE_PREFIX}*{BESIDE_SUFFIX}"):
        with suppress(OSError):
            handle = os.open(left, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0))
            try:
                lock_file(handle)
                left.unlink()
            finally:
                os.close(handle)
