"""The path of a journal, checks of the file there, and the lock on its folder.

Only SQLite may open a file that can be a journal: closing any other handle on it drops every
lock that this process holds on the file (POSIX). SQLite keeps count of its own handles
(https://www.sqlite.org/howtocorrupt.html, section 2.2).
"""

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Final

from benchwatch.errors import JournalError
from benchwatch.journal.sqlite_errors import GO_ELSEWHERE, code
from benchwatch.system.file_locks import lock_file, open_folder_to_lock

TINY_BYTES: Final = 1
"""Size in bytes of a file that SQLite treats as empty and would overwrite."""
LOCK_RETRY_S: Final = 0.01
"""Time between two attempts to get the lock."""

LOG_ENDINGS: Final = ("-wal", "-shm")
"""Endings of the write-ahead log that SQLite keeps beside an open file, and of its index."""


def default_path() -> Path:
    """Return the default path of the journal, and make its folder.

    Raises:
        JournalError: the folder can't be made.
    """
    from platformdirs import user_data_path  # noqa: PLC0415 - only a run without --journal needs it

    path = user_data_path("benchwatch", appauthor=False) / "journal.db"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise JournalError(
            f"the folder {path.parent} for the journal can't be made: {error.strerror}. "
            f"{GO_ELSEWHERE}"
        ) from error
    return path


def check_name(path: Path) -> None:
    """Refuse a name that SQLite would not open as a file.

    Raises:
        JournalError: the name is empty, a URI or ``:memory:``.
    """
    name = str(path)
    if path.name == ":memory:":
        raise JournalError(
            f"'{name}' is a database in memory, which would keep nothing: give the name of a "
            "file, or go without a journal with --no-journal."
        )
    if name.lower().startswith("file:"):
        raise JournalError(f"'{name}' is a URI: give the journal as the name of a file.")
    if name == ".":  # Path("") is "." too
        raise JournalError(f"an empty name, or '.', is no file for the journal. {GO_ELSEWHERE}")


def check_kind(path: Path) -> None:
    """Refuse a file that is not a database: SQLite would overwrite a very small one.

    Raises:
        JournalError: the file is not a database, or can't be read.
    """
    try:
        if not path.exists() or (path.is_file() and path.stat().st_size == 0):
            return
        if path.is_file() and is_database(path):
            return
    except OSError as error:
        raise JournalError(f"the journal can't be opened: {error.strerror} ({path}).") from error
    raise JournalError(f"the journal is damaged, or is no journal ({path}). {GO_ELSEWHERE}")


def is_database(path: Path) -> bool:
    """Return whether the file at `path` begins like a database, even if damaged further on.

    SQLite opens it as immutable, so that nothing is locked, written or created.

    Raises:
        OSError: there is no file, or it can't be read.
    """
    if not path.is_file() or path.stat().st_size <= TINY_BYTES:
        return False
    if not os.access(path, os.R_OK):
        raise PermissionError(13, os.strerror(13))
    try:
        with closing(sqlite3.connect(uri(path, "immutable=1"), uri=True)) as reader:
            reader.execute("PRAGMA schema_version").fetchone()
    except sqlite3.Error as error:
        return code(error) not in {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CANTOPEN}
    return True


def uri(path: Path, *options: str) -> str:
    """Return the URI by which SQLite opens the file at `path` for reading only."""
    return f"{path.absolute().as_uri()}?{'&'.join(('mode=ro', *options))}"


def inode(path: Path) -> tuple[int, int] | None:
    """Return device and inode number of the file at `path`; None: there is no file."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


def log_path(path: Path, ending: str) -> Path:
    """Return the path of the log or the index (`LOG_ENDINGS`) of the database at `path`."""
    file = path.resolve()
    return file.with_name(file.name + ending)


@contextmanager
def locked_folder(path: Path, wait_s: float) -> Iterator[None]:
    """Keep other processes of this program from opening, replacing or closing the file.

    The folder is locked, so that no lock file is left beside the journal. Where folders can't be
    locked (some network file systems), there is no lock.

    Raises:
        TimeoutError: another program holds the lock for longer than `wait_s`.
    """
    handle = open_folder_to_lock(path.resolve().parent)
    try:
        if handle is not None:
            _lock(handle, wait_s)
        yield
    finally:
        if handle is not None:
            os.close(handle)  # releases the lock


def _lock(handle: int, wait_s: float) -> None:
    give_up_s = time.monotonic() + wait_s
    while True:
        try:
            lock_file(handle)
        except BlockingIOError:
            if time.monotonic() >= give_up_s:
                raise TimeoutError("another program is beginning or leaving it") from None
            time.sleep(LOCK_RETRY_S)
        except OSError:
            return  # this kind of folder can't be locked
        else:
            return


def remove_empty(path: Path) -> None:
    """Remove a file that was emptied while open: SQLite would mix old and new pages in it."""
    with suppress(OSError):
        if path.is_file() and path.stat().st_size == 0:
            path.resolve().unlink()


def clear_leftovers(path: Path) -> None:
    """Remove log and index of a file that no longer exists; call only within `locked_folder`.

    A new file would share them with a process that still has the old file open, and both files
    would be damaged.
    """
    for ending in LOG_ENDINGS:
        with suppress(OSError):
            log_path(path, ending).unlink(missing_ok=True)
