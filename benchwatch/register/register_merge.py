"""Takes over the entries of another register: of another machine, or left over by a watch.

Entries are copied as they are, hash and all, so that each chain can be checked in any register
that has it.
"""

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from benchwatch.errors import RegisterError, UsageError
from benchwatch.journal.journal_file import inode
from benchwatch.register.chain_check import check_chains
from benchwatch.register.register_entry import RegisterEntry
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_schema import INSERT, SELECT, entry_of, entry_row


@dataclass(frozen=True, slots=True, kw_only=True)
class Merged:
    """What was taken over from another register."""

    entries: int
    """Entries that the register did not have before."""
    there: int
    """Entries that it had already."""
    visits: int
    """Visits that were opened by the new entries."""


def merge_register(register: RegisterFile, source: Path) -> Merged:
    """Add all entries of the register at `source` that `register` does not have.

    Args:
        register: the register; made when missing.
        source: another one, which stays as it is.

    Raises:
        UsageError: there is no such file, or it is the register itself.
        RegisterError: a file can't be used, an entry in `source` was changed, or the two have
            different entries at one place of a chain. Nothing is taken over then.
    """
    if not source.is_file():
        raise UsageError(f"there is no file {source}.")
    if inode(source) == inode(register.path):
        raise UsageError(f"{source} is the register itself: give another file.")
    with RegisterFile(source).reading() as connection:
        if connection is None:
            raise RegisterError(f"{source} is empty: there is nothing to take over.")
        faults = [fault for state in check_chains(connection) for fault in state.faults]
        if faults:
            raise RegisterError(
                f"{source} is not sound: {faults[0]}. Nothing was taken over. benchwatch visits "
                "verify names all that was changed; take over an older copy of it."
            )
        entries = [entry_of(row) for row in connection.execute(f"{SELECT} ORDER BY rowid")]
    _refuse_mixing(register, entries, source)
    with register.writing() as target:
        return add_as_they_are(target, entries, f"{register.path} and {source}")


def _refuse_mixing(register: RegisterFile, entries: Iterable[RegisterEntry], source: Path) -> None:
    """Refuse to bring visits of simulated benches together with real ones.

    Raises:
        RegisterError: `source` has chains of the other kind.
    """
    chains = [entry.values() for entry in entries if entry.kind == "chain"]
    if all((one.get("simulated") is True) == register.is_simulated for one in chains):
        return
    kinds = ("real", "simulated") if register.is_simulated else ("simulated", "real")
    option = "without --sim" if register.is_simulated else "with --sim"
    raise RegisterError(
        f"{source} has visits of {kinds[0]} benches, which are never mixed with {kinds[1]} ones: "
        f"merge it {option}."
    )


def add_as_they_are(
    connection: sqlite3.Connection, entries: Iterable[RegisterEntry], files: str
) -> Merged:
    """Add entries with their numbers and hashes, within a transaction of `RegisterFile.writing`.

    Args:
        connection: the connection of the transaction.
        entries: in the order in which they are added; those that are there are passed over.
        files: the two files, for messages.

    Raises:
        RegisterError: another entry is at the place of one.
    """
    new = there = visits = 0
    query = "SELECT hash FROM entries WHERE chain = ? AND number = ?"
    for entry in entries:
        present = connection.execute(query, (entry.chain, entry.number)).fetchone()
        if present is None:
            connection.execute(INSERT, entry_row(entry))
            new += 1
            visits += entry.kind == "visit"
        elif present[0] == entry.hash:
            there += 1
        else:
            raise RegisterError(
                f"{files} have different entries {entry.number} of chain {entry.chain}: one is a "
                "copy of the other, and both were written after that. Nothing was taken over; "
                "keep both files, and go on with one of them."
            )
    return Merged(entries=new, there=there, visits=visits)
