"""Writes a file whole or not at all, whatever happens meanwhile."""

import os
import tempfile
from contextlib import suppress
from pathlib import Path

from benchwatch.errors import FileError, UsageError
from benchwatch.quantity import printable

LONGEST_SHOWN = 300
"""Characters of a path that a sentence shows."""


def write_whole(path: Path, content: bytes, *, replaces: bool) -> None:
    """Write a file under a name of its own beside it, and give it its name at the end.

    Args:
        path: of the file; its folder must be there.
        content: all of it.
        replaces: whether a file that is already there is replaced; else it stays as it is.

    Raises:
        UsageError: the file is there, and `replaces` is False.
        FileError: it can't be written.
    """
    shown = printable(str(path), LONGEST_SHOWN)
    if not replaces and os.path.lexists(path):
        raise UsageError(_there(shown))
    beside: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=".", suffix=".part", dir=path.parent)
        beside = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        _take_usual_mode(beside)
        if replaces:
            beside.replace(path)
        else:
            _give_new_name(beside, path)
    except FileExistsError as error:
        raise UsageError(_there(shown)) from error
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise FileError(
            f"{shown} can't be written: {printable(why, 200)}. Choose another place."
        ) from error
    finally:
        if beside is not None:
            with suppress(OSError):
                beside.unlink()


def _there(shown: str) -> str:
    return f"{shown} exists, and stays as it is. Choose another name."


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
    except OSError:  # a file system without hard links
        with path.open("xb") as file:
            file.write(beside.read_bytes())
