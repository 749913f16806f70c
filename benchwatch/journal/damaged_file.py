"""Finding damage in a journal, setting the file aside, and recovering it in the background."""

import glob
import os
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Final

from benchwatch.journal.journal_file import LOG_ENDINGS, inode, uri
from benchwatch.journal.recovery import Recovered, recover
from benchwatch.journal.sqlite_errors import code, sentence
from benchwatch.system.file_names import replace_file

DAMAGE_CODES: Final = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
"""Primary result codes by which SQLite reports a damaged file."""
ASIDE_FILE_NAME: Final = "{stem}-damaged-{stamp}{again}{suffix}"
LONGEST_WAIT_S: Final = 5.0
"""Longest wait for another program's transaction, on a background thread."""
MERGE_COMMAND: Final = "benchwatch journal merge"


def damage() -> sqlite3.Error:
    """Return the error that SQLite raises for a damaged file."""
    error = sqlite3.DatabaseError("database disk image is malformed")
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


def set_aside(path: Path, utc_s: float) -> Path:
    """Rename the file at `path` with its log and index; return the new path.

    Call only within `journal_file.locked_folder`. All new names are made before any old one is
    removed, so that no file is lost when the program is killed in between.

    Args:
        path: the damaged file.
        utc_s: the present (Unix seconds), which is part of the name.

    Raises:
        OSError: the folder can't be written.
    """
    file = path.resolve()
    stamp = datetime.fromtimestamp(utc_s, UTC).strftime("%Y%m%dT%H%M%SZ")
    for number in count(1):
        again = "" if number == 1 else f"-{number}"
        aside = file.with_name(
            ASIDE_FILE_NAME.format(stem=file.stem, stamp=stamp, again=again, suffix=file.suffix)
        )
        if not aside.exists():
            break
    moves = [(file, aside)]
    moves += [(_ending(file, end), _ending(aside, end)) for end in LOG_ENDINGS]
    there = [(old, new) for old, new in moves if old.exists()]
    try:
        for old, new in there:
            os.link(old, new)
    except OSError:  # a file system without hard links
        for old, new in reversed(there):
            replace_file(old, new)
    else:
        try:
            for old, _ in there:
                old.unlink()
        except OSError:  # Windows removes no file that a program has open: both names would stay
            for old, new in there:
                with suppress(OSError):
                    new.unlink() if old.exists() else new.replace(old)
            raise
    return aside


def has_other_name(path: Path) -> bool:
    """Return whether the file at `path` has a hard link other than those made by `set_aside`."""
    file = path.resolve()
    status = file.stat()
    if status.st_nlink < 2:
        return False
    like = ASIDE_FILE_NAME.format(
        stem=glob.escape(file.stem), stamp="*", again="", suffix=file.suffix
    )
    ours = sum(inode(name) == inode(file) for name in file.parent.glob(like))
    return status.st_nlink > 1 + ours


class DamageCheck:
    """Checks a whole journal for damage on a background thread, while it is written.

    Args:
        path: the journal.
        report: called on the background thread when damage was found.
    """

    def __init__(self, path: Path, report: Callable[[], None]) -> None:
        self.damaged: tuple[int, int] | None = None
        """The inode of the file, once damage was found in it."""
        self._path, self._report = path, report
        self._reader: sqlite3.Connection | None = None
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name="checking", daemon=True)
        self._thread.start()

    def stop(self, within_s: float) -> None:
        """Stop the check, if it has not ended, and wait at most `within_s` for its thread."""
        self._stopped.set()
        with suppress(sqlite3.Error):
            if self._reader is not None:
                self._reader.interrupt()
        self._thread.join(within_s)

    def _run(self) -> None:
        file = inode(self._path)
        if self._is_damaged():
            self.damaged = file
            self._report()

    def _is_damaged(self) -> bool:
        try:
            with closing(
                sqlite3.connect(
                    uri(self._path), uri=True, timeout=LONGEST_WAIT_S, check_same_thread=False
                )
            ) as self._reader:
                if self._stopped.is_set():
                    return False
                found = self._reader.execute("PRAGMA quick_check(1)").fetchone()
                return bool(found != ("ok",))
        except sqlite3.Error as error:
            return code(error) in DAMAGE_CODES


class BackgroundRecovery:
    """Copies what can be read of a file set aside to its successor, on a background thread.

    Args:
        aside: the file that was set aside.
        path: the new journal in its place.
        report: called with a sentence about the result.
    """

    def __init__(self, aside: Path, path: Path, report: Callable[[str], None]) -> None:
        self._aside, self._path, self._report = aside, path, report
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="recovery", daemon=True)
        self._thread.start()

    def stop(self, within_s: float) -> None:
        """Stop it between two transactions, and wait at most `within_s` for its thread."""
        self._stop.set()
        self._thread.join(within_s)

    def _run(self) -> None:
        try:
            with closing(
                sqlite3.connect(self._path.resolve(), timeout=LONGEST_WAIT_S, isolation_level=None)
            ) as target:
                recovered = recover(self._aside, target, lambda: not self._stop.is_set())
        except (sqlite3.Error, OSError) as error:
            why = sentence(self._aside, error)
            self._report(f"{why}: not all of it could be carried over. It is kept.")
            return
        self._report(recovery_words(recovered, self._aside))


def recovery_words(recovered: Recovered, source: Path) -> str:
    """Return a sentence that states what was recovered from `source`."""
    what = f"{recovered.events} readings and notes of {recovered.runs} runs were carried over"
    if recovered.whole:
        return f"{what} from {source}."
    return f"{what} so far; {MERGE_COMMAND} {source} carries over the rest."


def _ending(file: Path, end: str) -> Path:
    return file.with_name(file.name + end)
