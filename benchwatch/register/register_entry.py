"""Entries of the register: their kinds, their canonical text, and the hashes that chain them.

The hash of an entry is SHA-256 (FIPS 180-4) of the hash of the entry before it in the chain,
followed by the canonical JSON of its columns; a program that shares no code with this one can
check it with any SHA-256 and any JSON writer that sorts keys.
"""

import hashlib
import heapq
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

EntryKind = Literal[
    "chain", "unit", "visit", "named", "run", "record", "note", "condition", "tool", "power",
    "comparison", "check", "closed", "report", "amendment",
]  # fmt: skip
"""Kind of an entry:

chain: begins the chain of one machine. unit: a unit, as known from now on. visit: opens a visit.
named: gives a nameless visit its unit. run: a watch that is part of a visit. record: an offset.
note, condition: typed remarks. tool: the measured pulls of the tool. power: the unit was switched
off and on. comparison, check: proofs of the measuring chain, and of other dial settings. closed:
closes a visit. report: a report was issued. amendment: replaces or withdraws an earlier entry.
"""

AMENDABLE: Final[frozenset[EntryKind]] = frozenset(
    {"visit", "named", "record", "note", "condition", "power", "tool", "comparison", "check"}
)
"""Kinds that an amendment may replace; a unit is changed by a further entry of the same kind."""

_ENCODER: Final = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """An entry that is not written yet."""

    kind: EntryKind
    document: Mapping[str, Any]
    """Values for JSON; no nan, no infinity."""
    unit: str | None = None
    visit: str | None = None
    amends: str | None = None
    at_utc_s: float | None = None
    """When it happened, Unix seconds; None: now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterEntry:
    """One entry as it stands in the register."""

    chain: str
    """The chain of one machine."""
    number: int
    """Place in its chain, from 1 on without gaps."""
    at: str
    """When it was written, ISO 8601 in UTC."""
    who: str
    """Account of the person who ran the program."""
    kind: str
    unit: str | None
    """Ident of the unit it is about."""
    visit: str | None
    """The visit it belongs to, ``CHAIN/NUMBER``."""
    amends: str | None
    """The entry that it amends, ``CHAIN/NUMBER``."""
    document: str
    """Canonical JSON of an object."""
    hash: str
    """In hexadecimal."""

    @property
    def name(self) -> str:
        """Return ``CHAIN/NUMBER``, by which an amendment names it."""
        return f"{self.chain}/{self.number}"

    def values(self) -> dict[str, Any]:
        """Return the object in `document`; empty if it is none, as after a change by hand."""
        try:
            values = json.loads(self.document)
        except (ValueError, RecursionError):
            return {}
        return values if isinstance(values, dict) else {}


def chain_in(name: str) -> str:
    """Return the chain in the name ``CHAIN/NUMBER`` of a visit or an entry."""
    return name.rpartition("/")[0]


def number_in(name: str) -> int:
    """Return the number in the name ``CHAIN/NUMBER``; 0 after a change by hand."""
    number = name.rpartition("/")[2]
    return int(number) if number.isdecimal() else 0


def short_name(name: str, own_chain: str | None) -> str:
    """Return what a visit or an entry is called: its number, of another chain the whole name."""
    return name.rpartition("/")[2] if chain_in(name) == own_chain else name


def canonical(value: object) -> str:
    """Write a value as canonical JSON: keys sorted, no blanks, UTF-8, no nan.

    Raises:
        ValueError: a number is not finite.
    """
    text = _ENCODER.encode(value)
    # A lone surrogate can't be stored.
    return text if text.isascii() else text.encode("utf-8", "replace").decode("utf-8")


def entry_hash(previous: str, entry: RegisterEntry) -> str:
    """Return the hash of `entry`, given that of the entry before it (empty for the first)."""
    columns = {
        "chain": entry.chain,
        "number": entry.number,
        "at": entry.at,
        "who": entry.who,
        "kind": entry.kind,
        "unit": entry.unit,
        "visit": entry.visit,
        "amends": entry.amends,
        "document": entry.document,
    }
    return hashlib.sha256((previous + canonical(columns)).encode("utf-8")).hexdigest()


def in_order_of_writing(entries: Iterable[RegisterEntry]) -> list[RegisterEntry]:
    """Sort entries as they were written: by number in each chain, and by time between chains.

    Chains that were merged were written at the same time by several machines. Where a clock was
    set back, an entry counts as written with the one before it in its chain.
    """
    chains: dict[str, list[RegisterEntry]] = {}
    for entry in entries:
        chains.setdefault(entry.chain, []).append(entry)
    for chain in chains.values():
        chain.sort(key=lambda entry: entry.number)
    if len(chains) < 2:
        return [entry for chain in chains.values() for entry in chain]
    return [entry for _, entry in heapq.merge(*map(_timed, chains.values()), key=_first)]


def _timed(chain: list[RegisterEntry]) -> Iterator[tuple[str, RegisterEntry]]:
    latest = ""
    for entry in chain:
        latest = max(latest, entry.at)
        yield latest, entry


def _first(pair: tuple[str, RegisterEntry]) -> str:
    return pair[0]
