"""Checks the hashes of the register's entries, and finds the first entry that was changed."""

import sqlite3
from dataclasses import dataclass
from typing import Final

from benchwatch.register.register_entry import RegisterEntry, chain_in, entry_hash, number_in
from benchwatch.register.register_schema import SELECT, entry_of

NEARBY: Final = 8
"""How far from its place an entry that was moved is looked for."""


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


def newest_entry(connection: sqlite3.Connection, chain: str) -> RegisterEntry | None:
    """Return the last entry of a chain; None where the register has no such chain."""
    query = f"{SELECT} WHERE chain = ? ORDER BY number DESC LIMIT 1"
    return next(map(entry_of, connection.execute(query, (chain,))), None)


def has_head(connection: sqlite3.Connection, head: str) -> bool:
    """Return whether `head` is the hash of an entry: then nothing up to that entry was cut off."""
    query = "SELECT 1 FROM entries WHERE hash = ? LIMIT 1"
    return connection.execute(query, (head.strip().lower(),)).fetchone() is not None


def head_stands(connection: sqlite3.Connection, name: str, head: str) -> bool:
    """Return whether the entry ``CHAIN/NUMBER`` has the hash `head`."""
    query = "SELECT 1 FROM entries WHERE chain = ? AND number = ? AND hash = ?"
    found = connection.execute(query, (chain_in(name), number_in(name), head))
    return found.fetchone() is not None


def _check(chain: str, entries: list[RegisterEntry]) -> ChainState:
    """Check one chain; each entry that was changed is named, and not all that follow.

    An entry fits when its hash follows from the hash of the entry before it. Where an entry was
    changed or moved, those after it still follow from a hash nearby: its own, the one that it
    should have, or one that was moved with its entry. An entry that was changed together with its
    hash is seen by the next entry.
    """
    faults: list[str] = []
    broken = False
    previous, expected = "", 1
    for place, entry in enumerate(entries):
        if entry.number < expected:
            faults.append(f"an entry of chain {chain} has no valid number: {_about(entry)}")
            continue
        if entry.number != expected:
            missing = (
                f"entry {expected} of chain {chain} is"
                if entry.number == expected + 1
                else f"entries {expected} to {entry.number - 1} of chain {chain} are"
            )
            faults.append(f"{missing} missing")
        elif entry_hash(previous, entry) != entry.hash:
            broken = True
            if not _follows_nearby(entries, place):
                before = f" (or entry {entry.number - 1} together with its hash)" if place else ""
                faults.append(
                    f"entry {entry.number} of chain {chain} was changed{before}: {_about(entry)}"
                )
        previous, expected = entry.hash, entry.number + 1
    if broken and not faults:
        faults.append(f"the entries of chain {chain} don't follow from each other")
    return ChainState(chain=chain, entries=len(entries), head=previous, faults=tuple(faults))


def _follows_nearby(entries: list[RegisterEntry], place: int) -> bool:
    """Return whether an entry follows from an entry nearby, though not from the one before it."""
    entry, before = entries[place], entries[:place][-2:]
    near = {one.hash for one in entries[max(0, place - NEARBY) : place + NEARBY]}
    if len(before) == 2:  # the hash that the entry before should have
        near.add(entry_hash(before[0].hash, before[1]))
    elif before:
        near.add(entry_hash("", before[0]))
    return any(entry_hash(one, entry) == entry.hash for one in near - {entry.hash})


def _about(entry: RegisterEntry) -> str:
    of = f" of visit {entry.visit.rpartition('/')[2]}" if entry.visit else ""
    unit = f", unit {entry.unit}" if entry.unit else ""
    return f"{entry.kind}{of}{unit}, written {entry.at}"
