"""A journal as plain SQLite finds it: no code of the product."""

import contextlib
import sqlite3
import subprocess
from pathlib import Path
from typing import Any


def ask(path: Path, query: str) -> list[tuple[Any, ...]]:
    """Ask the journal as any program with SQLite would, changing nothing."""
    there = f"{path.absolute().as_uri()}?mode=ro"
    with contextlib.closing(sqlite3.connect(there, uri=True, timeout=10)) as reader:
        return reader.execute(query).fetchall()


def kept(path: Path) -> list[float]:
    """Return the frequencies of all readings in the journal, in ascending order."""
    return sorted(float(text) for (text,) in ask(path, "SELECT text FROM readings"))


def copy(source: Path, to: Path) -> None:
    """Copy a file as another program does: opened here, it would lose the locks on it (POSIX)."""
    subprocess.run(["cp", str(source), str(to)], check=True)


def gaps_in(path: Path) -> int:
    """Count the gaps in the journal: a busy machine makes some."""
    ((count,),) = ask(path, "SELECT count(*) FROM gaps")
    return int(count)


def check_sound(path: Path) -> None:
    """See that SQLite itself finds nothing wrong (``PRAGMA integrity_check``)."""
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]
