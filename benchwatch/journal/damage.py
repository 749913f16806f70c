"""A damaged journal is set aside under a dated name, and what can be read is carried over."""

import glob
import os
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Final

from benchwatch.journal.faults import sentence
from benchwatch.journal.place import BESIDE, inode
from benchwatch.journal.salvage import Carried, carry

DAMAGE: Final = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
"""Errors (primary codes) that say that a file is damaged."""
ASIDE: Final = "{stem}-damaged-{stamp}{again}{suffix}"
WAIT_S: Final = 5.0
"""Longest wait for another program's transaction, on a thread that nothing waits for."""
MERGE: Final = "benchwatch journal merge"


def set_aside(path: Path, utc_s: float) -> Path:
    """Give the file at `path`, and what lies beside it, another name; return it.

    Only while `place.alone`. Each gets its second name before any loses the first one, so
    that nothing is missing when the program is killed in between.

    Args:
        path: the damaged file.
        utc_s: now, which is in the name.

    Raises:
        OSError: the folder can't be written.
    """
    file = path.resolve()
    stamp = datetime.fromtimestamp(utc_s, UTC).strftime("%Y%m%dT%H%M%SZ")
    for number in count(1):
        again = "" if number == 1 else f"-{number}"
        aside = file.with_name(
            ASIDE.format(stem=file.stem, stamp=stamp, again=again, suffix=file.suffix)
        )
        if not aside.exists():
            break
    moves = [(file, aside)]
    moves += [(_ending(file, end), _ending(aside, end)) for end in BESIDE]
    there = [(old, new) for old, new in moves if old.exists()]
    try:
        for old, new in there:
            os.link(old, new)
    except OSError:  # no second names on this kind of disk
        for old, new in reversed(there):
            old.replace(new)
    else:
        for old, _ in there:
            old.unlink()
    return aside


def has_other_name(path: Path) -> bool:
    """Tell whether the file at `path` has a second name that did not come from setting it aside."""
    file = path.resolve()
    status = file.stat()
    if status.st_nlink < 2:
        return False
    like = ASIDE.format(stem=glob.escape(file.stem), stamp="*", again="", suffix=file.suffix)
    ours = sum(inode(name) == inode(file) for name in file.parent.glob(like))
    return status.st_nlink > 1 + ours


class CarryingOver:
    """Carries over what can be read of a file that was set aside, on a thread of its own.

    Args:
        aside: that file.
        path: the journal that is in its place.
        say: takes a sentence about what came of it.
    """

    def __init__(self, aside: Path, path: Path, say: Callable[[str], None]) -> None:
        self._aside, self._path, self._say = aside, path, say
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="carrying over", daemon=True)
        self._thread.start()

    def stop(self, within_s: float) -> None:
        """Stop between two transactions, if it has not ended, and wait for that."""
        self._stop.set()
        self._thread.join(within_s)

    def _run(self) -> None:
        try:
            with closing(
                sqlite3.connect(self._path.resolve(), timeout=WAIT_S, isolation_level=None)
            ) as target:
                carried = carry(self._aside, target, lambda: not self._stop.is_set())
        except (sqlite3.Error, OSError) as error:
            why = sentence(self._aside, error)
            self._say(f"{why}: not all of it could be carried over. It is kept.")
            return
        self._say(said_of(carried, self._aside))


def said_of(carried: Carried, source: Path) -> str:
    """Say what was carried over."""
    what = f"{carried.events} readings and notes of {carried.runs} runs were carried over"
    if carried.whole:
        return f"{what} from {source}."
    return f"{what} so far; {MERGE} {source} carries over the rest."


def _ending(file: Path, end: str) -> Path:
    return file.with_name(file.name + end)
