"""Where a journal is, and whether what is there can serve as one."""

from contextlib import suppress
from pathlib import Path
from typing import Final

from benchwatch.errors import JournalError
from benchwatch.journal.faults import GO_ELSEWHERE

_MAGIC: Final = b"SQLite format 3\0"
"""How every SQLite file begins (https://www.sqlite.org/fileformat.html, section 1.3)."""


def default_path() -> Path:
    """Return where the journal lives unless told otherwise, making its folder.

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


def check_kind(path: Path) -> None:
    """Refuse what is there already and is no database: SQLite would overwrite a tiny file.

    Raises:
        JournalError: the file is of another kind, or can't be read.
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
    """Tell whether the file at `path` begins as an SQLite file does; raises `OSError`."""
    with path.open("rb") as file:
        return file.read(len(_MAGIC)) == _MAGIC


def remove_empty(path: Path) -> None:
    """Remove a file that was emptied while it was open: SQLite would mix the old with the new."""
    with suppress(OSError):
        if path.is_file() and path.stat().st_size == 0:
            path.unlink()


def clear_leftovers(path: Path) -> None:
    """Remove what SQLite kept beside a file that is gone.

    A new file would share it with whoever still has the old one open, and spoil the old one.
    """
    for suffix in ("-wal", "-shm"):
        with suppress(OSError):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
