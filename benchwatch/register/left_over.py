"""Keeps entries that the register did not take in a small register of their own.

It has a chain of its own, so that `benchwatch.register.register_merge` takes it over into the
register like that of another machine. A visit that was opened in it keeps its name.
"""

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Final

from benchwatch.clock import Clock
from benchwatch.errors import RegisterError
from benchwatch.journal.backlog import folders_to_try
from benchwatch.journal.journal_file import LOG_ENDINGS
from benchwatch.register.register_entry import Draft, RegisterEntry
from benchwatch.register.register_file import RegisterFile, this_machine

LEFT_FILE_NAME: Final = "{stem}-left-{stamp}{again}.db"

MakeDrafts = Callable[[], Sequence[Draft]]
"""Makes the drafts of one transaction."""
TakeEntries = Callable[[Sequence[RegisterEntry]], None]
"""Gets the entries of one transaction as they were written."""


def write_left_over(
    register: RegisterFile, waiting: Iterable[tuple[MakeDrafts, TakeEntries]], clock: Clock
) -> tuple[Path, int] | None:
    """Write what waits for `register` to another file, in one transaction.

    Folders are tried in turn: that of the register, the user's own, and the one for temporary
    files.

    Args:
        register: the register that can't be written.
        waiting: its transactions, in their order.
        clock: dates the file.

    Returns:
        The file and how many entries are in it; None if no folder had room.
    """
    waiting = tuple(waiting)
    for folder in folders_to_try(register.path):
        with suppress(OSError):
            path = _free_name(folder, register.path.stem, clock.utc())
            left = register.beside(path, machine=f"left over from {this_machine()}")
            try:
                with left.writing() as connection:
                    entries = 0
                    for make, take in waiting:
                        written = left.put(connection, make())
                        take(written)
                        entries += sum(entry.kind != "chain" for entry in written)
            except RegisterError:
                for half in (path, *(path.with_name(path.name + end) for end in LOG_ENDINGS)):
                    half.unlink(missing_ok=True)  # an incomplete register is of no use
            else:
                return path, entries
    return None


def _free_name(folder: Path, stem: str, utc_s: float) -> Path:
    stamp = datetime.fromtimestamp(utc_s, UTC).strftime("%Y%m%dT%H%M%SZ")
    for number in count(1):
        again = "" if number == 1 else f"-{number}"
        path = folder / LEFT_FILE_NAME.format(stem=stem, stamp=stamp, again=again)
        if not path.exists():
            break
    return path
