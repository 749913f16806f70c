"""Sets a damaged register aside under a dated name, and carries over what can be read of it.

Entries are carried over as they were, with their numbers and hashes; `chain_check` then names those
that are missing. SQLite reads them as far as it can; the rest is read page by page.
"""

import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from benchwatch.errors import RegisterError
from benchwatch.journal.damaged_file import set_aside
from benchwatch.journal.journal_file import check_name, locked_folder, uri
from benchwatch.journal.page_scan import rows_left
from benchwatch.journal.recovery import is_damaged
from benchwatch.register.chain_check import check_chains
from benchwatch.register.register_entry import RegisterEntry, entry_hash, in_order_of_writing
from benchwatch.register.register_file import RegisterFile, has_log
from benchwatch.register.register_merge import Merged, add_as_they_are
from benchwatch.register.register_schema import (
    APPLICATION_ID,
    SELECT,
    check_register,
    entry_of,
)
from benchwatch.system.file_names import replace_file

LOCK_WAIT_S: Final = 5.0
"""Longest wait for another program that repairs the register at the same moment."""
_TEXT, _TEXT_OR_NONE = (str,), (str, type(None))
_COLUMN_TYPES: Final = (
    _TEXT, (int,), _TEXT, _TEXT, _TEXT, _TEXT_OR_NONE, _TEXT_OR_NONE, _TEXT_OR_NONE, _TEXT, _TEXT,
)  # fmt: skip
_HASH_CHARACTERS: Final = 64
_NOT_OPENED: Final = """
    SELECT DISTINCT visit FROM entries WHERE visit IS NOT NULL
    AND visit NOT IN (SELECT visit FROM entries WHERE kind = 'visit')"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Repaired:
    """The result of a repair."""

    aside: Path
    """The damaged file, unchanged under its new name."""
    entries: int
    """Entries in the new register."""
    visits: int
    """Visits that were opened by them."""
    faults: tuple[str, ...]
    """Sentences on what is missing, or was changed; empty when all chains are sound."""


def repair_register(path: Path, utc_s: float) -> Repaired | None:
    """Put a new register in the place of a damaged one; return None if the file is sound.

    Other programs may go on meanwhile: they open the file anew for each entry.

    Args:
        path: the register.
        utc_s: the present, Unix seconds; part of the name of the file that is set aside.

    Raises:
        RegisterError: there is no register, the file is something else, or the folder can't be
            written. Nothing is changed then.
    """
    check_name(path)
    if not path.is_file():
        raise RegisterError(f"there is no register at {path}.")
    if not is_damaged(path):
        with RegisterFile(path).reading():  # refuses a database of another program
            return None
    _refuse_another_kind(path)
    new = path.with_name(f"{path.stem}-repaired-{os.getpid()}{path.suffix}")
    try:
        with locked_folder(path, LOCK_WAIT_S):
            _carry_over(path, new)
            aside = set_aside(path, utc_s)
            _put_in_place(new, path)
        _carry_over(aside, path)  # what was added in the last moment, or all
    except (OSError, TimeoutError) as error:
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise RegisterError(
            f"the register is damaged, and can't be set aside: {why} ({path})."
        ) from error
    finally:
        for end in ("", "-wal", "-shm"):
            with suppress(OSError):
                new.with_name(new.name + end).unlink(missing_ok=True)
    with RegisterFile(path).reading() as connection:
        if connection is None:
            return Repaired(aside=aside, entries=0, visits=0, faults=())
        states = check_chains(connection)
        opened, *_ = connection.execute(
            "SELECT count(*) FROM entries WHERE kind = 'visit'"
        ).fetchone()
        lost = [
            f"visit {name} has lost the entry that opened it: visits show {name} shows the rest"
            for (name,) in connection.execute(_NOT_OPENED)
        ]
    faults = [fault for state in states for fault in state.faults]
    return Repaired(
        aside=aside,
        entries=sum(state.entries for state in states),
        visits=int(opened),
        faults=(*faults, *lost),
    )


def _refuse_another_kind(path: Path) -> None:
    """Refuse a damaged file that was no register, by its header or by what is in its pages."""
    with suppress(sqlite3.Error), closing(_immutable(path)) as connection:
        owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
        if owner == APPLICATION_ID:
            check_register(connection, path)
            return
    try:
        found = next(_page_entries(path), None)
    except OSError as error:
        raise RegisterError(f"the register can't be read: {error.strerror} ({path}).") from error
    if found is None:
        raise RegisterError(f"the file is no register, or nothing of one is left in it ({path}).")


def _carry_over(source: Path, target: Path) -> Merged:
    """Add the entries that can be read of a damaged register to another."""
    found = in_order_of_writing(_best(_readable(source), _page_entries(source)))
    register = RegisterFile(target)
    with register.writing() as connection:
        present = {tuple(row) for row in connection.execute("SELECT chain, number FROM entries")}
        new = [one for one in found if (one.chain, one.number) not in present]
        return add_as_they_are(connection, new, f"{source} and {target}")


def _put_in_place(new: Path, path: Path) -> None:
    """Give the new register its name; one that was begun there meanwhile stays in its place."""
    try:
        os.link(new, path)
    except FileExistsError:
        return  # it gets the entries from the file that was set aside
    except OSError:  # a file system without hard links
        replace_file(new, path)
    else:
        new.unlink()


def _best(*found: Iterable[RegisterEntry]) -> list[RegisterEntry]:
    """Choose one entry for each place of each chain: the one from which the next one follows.

    Pages and logs hold older states too, such as of a transaction that was never completed.

    Args:
        *found: entries, those from the best source first.
    """
    places: dict[tuple[str, int], list[RegisterEntry]] = {}
    for entry in (one for source in found for one in source):
        at_place = places.setdefault((entry.chain, entry.number), [])
        if entry not in at_place:
            at_place.append(entry)
    chosen: list[RegisterEntry] = []
    previous: RegisterEntry | None = None
    for (chain, number), candidates in sorted(places.items()):
        follows = previous is not None and (previous.chain, previous.number) == (chain, number - 1)
        before = previous.hash if follows and previous is not None else ""
        after = places.get((chain, number + 1), [])
        merits = [_merit(one, before, after) for one in candidates]
        previous = candidates[merits.index(max(merits))]
        chosen.append(previous)
    return chosen


def _merit(entry: RegisterEntry, before: str, after: list[RegisterEntry]) -> int:
    """Return how well an entry fits between a hash and those that may be the next one."""
    fits = entry_hash(before, entry) == entry.hash
    leads = any(entry_hash(entry.hash, one) == one.hash for one in after)
    return 2 * fits + leads


def _readable(path: Path) -> Iterator[RegisterEntry]:
    """Yield the entries that SQLite can read, up to the first damage."""
    with suppress(sqlite3.Error, UnicodeDecodeError), closing(_open(path)) as connection:
        for row in connection.execute(f"{SELECT} ORDER BY rowid"):
            if _is_entry(row):
                yield entry_of(row)


def _page_entries(path: Path) -> Iterator[RegisterEntry]:
    """Yield the entries that can be read from single pages, in no order, some repeated."""
    for row in rows_left(path, integer_key=False):
        if _is_entry(row):
            yield entry_of(row)


def _is_entry(row: tuple[Any, ...]) -> bool:
    return (
        len(row) == len(_COLUMN_TYPES)
        and all(map(isinstance, row, _COLUMN_TYPES))
        and row[1] > 0
        and len(row[-1]) == _HASH_CHARACTERS
    )


def _open(path: Path) -> sqlite3.Connection:
    if path.stat().st_size == 0:
        raise sqlite3.DatabaseError("it is empty")  # opened, SQLite would discard its log
    if not has_log(path):
        return _immutable(path)
    connection = sqlite3.connect(uri(path), uri=True, timeout=LOCK_WAIT_S)
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.Error:
        connection.close()
        return _immutable(path)
    return connection


def _immutable(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(uri(path, "immutable=1"), uri=True)
