"""Where readings go at the end that the journal would not take: a journal of their own."""

import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Final

from benchwatch.errors import JournalError
from benchwatch.journal.schema import prepare

LEFT: Final = "{stem}-left-{key}.db"


def leave(path: Path, key: int, write: Callable[[sqlite3.Connection], None]) -> Path | None:
    """Make a journal for what the one at `path` would not take; return where it is.

    Tried are the folder of the journal itself, the user's own folders, and that for temporary
    files. None: there was room in none of them.

    Args:
        path: the journal.
        key: of a run; part of the new file's name.
        write: writes what is to be kept.
    """
    for folder in _folders(path):
        left = folder / LEFT.format(stem=path.stem, key=key)
        try:
            with closing(sqlite3.connect(left, isolation_level=None)) as connection:
                prepare(connection, left)
                write(connection)
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except (sqlite3.Error, OSError, JournalError):
            for half in (left, *(left.with_name(left.name + end) for end in ("-wal", "-shm"))):
                with suppress(OSError):
                    half.unlink(missing_ok=True)  # half a journal helps nobody
        else:
            return left
    return None


def _folders(path: Path) -> Iterator[Path]:
    from platformdirs import user_data_path, user_state_path  # noqa: PLC0415 - hardly ever needed

    yield path.absolute().parent
    for place in (user_data_path, user_state_path):
        with suppress(OSError):
            folder = place("benchwatch", appauthor=False)
            folder.mkdir(parents=True, exist_ok=True)
            yield folder
    with suppress(RuntimeError):
        yield Path.home()
    with suppress(OSError):
        yield Path(tempfile.gettempdir())
    with suppress(OSError):
        yield Path(os.getcwd())  # noqa: PTH109 - the same
