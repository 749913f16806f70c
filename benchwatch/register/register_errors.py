"""Raises errors of SQLite and of the file system as sentences about the register."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from benchwatch.errors import JournalError, RegisterError
from benchwatch.journal.damaged_file import DAMAGE_CODES
from benchwatch.journal.sqlite_errors import GO_ELSEWHERE, PREDICATES, code

REPAIR: Final = "benchwatch visits repair sets it aside, and carries over what can be read of it."
ELSEWHERE: Final = "Move it elsewhere, or choose another folder with --journal FILE."
VERIFY: Final = "benchwatch visits verify says where."


@contextmanager
def register_errors(path: Path) -> Iterator[None]:
    """Raise errors of SQLite and of the file as sentences about the register."""
    try:
        yield
    except JournalError as error:
        text = str(error).replace("the journal", "the register")
        text = text.replace("no journal", "no register")
        what_to_do = REPAIR if "damaged" in text and path.is_file() else ELSEWHERE
        raise RegisterError(text.replace(GO_ELSEWHERE, what_to_do)) from error
    except sqlite3.Error as error:
        what = f"the register {_predicate(error)} ({path})."
        raise RegisterError(f"{what} {REPAIR}" if is_damage(error) else what) from error
    except UnicodeDecodeError as error:
        raise RegisterError(f"the register is damaged ({path}). {REPAIR}") from error
    except OSError as error:
        raise RegisterError(f"the register can't be opened: {error.strerror} ({path}).") from error


def is_damage(error: Exception) -> bool:
    """Return whether SQLite found damage in the file, or bytes that are no text."""
    if isinstance(error, sqlite3.OperationalError) and "decode to UTF-8" in str(error):
        return True
    return isinstance(error, sqlite3.Error) and code(error) in DAMAGE_CODES


def _predicate(error: sqlite3.Error) -> str:
    why = PREDICATES.get(code(error)) or ("is damaged" if is_damage(error) else None)
    return f"fails: {error}" if why is None else why.replace("journal", "register")
