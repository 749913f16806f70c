"""Checks the hashes of the register's entries, and finds the first entry that was changed."""

import sqlite3
from dataclasses import dataclass

from benchwatch.register.register_entry import RegisterEntry, entry_hash
from benchwatch.register.register_schema import SELECT, entry_of


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainState:
    """What a check of one chain found."""

    chain: str
    entries: int
    head: str
    """Hash of its last entry; printed on a report, it shows later that no end was cut off."""
    faults: tuple[str, ...] = ()
    """A sentence for each entry that was changed, or is missing; empty when the chain is sound."""


def check_chains(connection: sqlite3.Connection) -> list[ChainState]:
    """Compute the hash of every entry again, chain by chain, in the order of the file."""
    chains: dict[str, list[RegisterEntry]] = {}
    for row in connection.execute(f"{SELECT} ORDER BY chain, number"):
        entry = entry_of(row)
        chains.setdefault(entry.chain, []).append(entry)
    return [_check(chain, entries) for chain, entries in chains.items()]


def has_head(connection: sqlite3.Connection, head: str) -> bool:
    """Return whether `head` is the hash of an entry: then nothing up to that entry was cut off."""
    query = "SELECT 1 FROM entries WHERE hash = ? LIMIT 1"
    return connection.execute(query, (head.strip().lower(),)).fetchone() is not None


def _check(chain: str, entries: list[RegisterEntry]) -> ChainState:
    """Check one chain.

    After an entry that was changed the check goes on with the hash that is written there, so that
    each changed entry is named, and not all that follow.
    """
    faults, previous, expected = [], "", 1
    for entry in entries:
        if entry.number != expected:
            missing = (
                f"entry {expected}"
                if entry.number == expected + 1
                else (f"entries {expected} to {entry.number - 1}")
            )
            faults.append(f"{missing} of chain {chain} missing")
        elif entry_hash(previous, entry) != entry.hash:
            faults.append(f"entry {entry.number} of chain {chain} was changed: {_about(entry)}")
        previous, expected = entry.hash, entry.number + 1
    return ChainState(chain=chain, entries=len(entries), head=previous, faults=tuple(faults))


def _about(entry: RegisterEntry) -> str:
    of = f" of visit {entry.visit.rpartition('/')[2]}" if entry.visit else ""
    unit = f", unit {entry.unit}" if entry.unit else ""
    return f"{entry.kind}{of}{unit}, written {entry.at}"
