"""Brings the registers of stations together as one register, in memory and only to be read.

A chain of entries belongs to the machine that wrote it, but several stations may have sent it, as
after a merge of their registers. An entry that several of them sent is there once. Where two have
different entries at one place of a chain, those of the station that sent the chain first count.
"""

import shlex
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from benchwatch.central_record.read_connection import ReadConnection
from benchwatch.central_record.record_address import parse_record, shown_record
from benchwatch.central_record.run_place import RunPlace
from benchwatch.errors import JournalError, RegisterError
from benchwatch.quantity import printable
from benchwatch.register.register_entry import RegisterEntry, in_order_of_writing
from benchwatch.register.register_schema import (
    COLUMNS,
    INSERT,
    entry_of,
    entry_row,
    prepare_register,
)

_IN_MEMORY: Final = Path(":memory:")
_CHAINS: Final = """
    SELECT chains.chain_id, station, chain, document FROM benchwatch.chains
    LEFT JOIN benchwatch.entries ON entries.chain_id = chains.chain_id AND number = 1"""
_ENTRIES: Final = f"""
    SELECT chain_id, {COLUMNS} FROM benchwatch.entries JOIN benchwatch.chains USING (chain_id)
    WHERE chain_id = ANY(%s) ORDER BY chain_id, number"""  # noqa: S608 - our own words


def _drop(_sentence: str) -> None:
    pass


@dataclass(frozen=True, slots=True)
class CentralRegister:
    """The registers in a central record: of one station or all, of real or simulated benches."""

    runs: RunPlace
    """Has the runs of the visits; its station is the one that is meant."""
    is_simulated: bool = False
    say: Callable[[str], None] = field(default=_drop, compare=False, repr=False)
    """Is told in a sentence which entries of which station do not count."""
    wait_s: int | None = field(default=None, compare=False)
    """Longest wait for the server; None: as the address says."""

    def __str__(self) -> str:
        """Return its name for people, without a password."""
        return self.runs.shown

    @property
    def typed_options(self) -> str:
        """The options by which a command reads it, without a password."""
        address = shlex.quote(shown_record(self.runs.source))
        station = "" if self.runs.station is None else f" --station {printable(self.runs.station)}"
        return f" --journal {address}{station}{' --sim' if self.is_simulated else ''}"

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection | None]:
        """Yield a connection to one state of it, as to the file of a register; None: it is empty.

        Raises:
            UsageError: the library for PostgreSQL is not installed.
            RegisterError: the central record can't be read.
        """
        chains = self._read()
        entries = _joined(chains, self.say)
        if not entries:
            yield None
            return
        with closing(sqlite3.connect(_IN_MEMORY, isolation_level=None)) as connection:
            _fill(connection, in_order_of_writing(entries))
            yield connection

    def _connected(self) -> ReadConnection:
        return ReadConnection(parse_record(self.runs.source), self.wait_s)

    def _read(self) -> "list[_SentChain]":
        """Return the chains with their entries, that which was sent first first."""
        try:
            with closing(self._connected()) as connection:
                station = self.runs.station
                where, values = ("", ()) if station is None else (" WHERE station = %s", (station,))
                found = connection.ask(f"{_CHAINS}{where} ORDER BY chain_id", values)
                chains = {
                    chain_id: _SentChain(str(chain), str(sender))
                    for chain_id, sender, chain, document in found
                    if _is_simulated(document) == self.is_simulated
                }
                for chain_id, *row in connection.ask(_ENTRIES, (list(chains),)):
                    chains[chain_id].entries.append(entry_of(tuple(row)))
        except JournalError as error:
            raise RegisterError(str(error)) from error
        return list(chains.values())


def _fill(connection: sqlite3.Connection, entries: Iterable[RegisterEntry]) -> None:
    """Make an empty database a register with these entries, which takes no others."""
    prepare_register(connection, _IN_MEMORY)
    others = connection.execute(
        "SELECT type, name, sql FROM sqlite_master WHERE type <> 'table' AND sql IS NOT NULL"
    ).fetchall()
    for kind, name, _ in others:
        connection.execute(f"DROP {kind} {name}")
    connection.execute("BEGIN")
    connection.executemany(INSERT, map(entry_row, entries))
    connection.execute("COMMIT")
    for kind, _, statement in others:
        if kind == "index":  # made afterwards, they cost less
            connection.execute(statement)
    connection.execute("PRAGMA query_only = ON")


@dataclass(frozen=True, slots=True)
class _SentChain:
    """The entries of a chain as one station sent them, by their numbers."""

    chain: str
    station: str
    entries: list[RegisterEntry] = field(default_factory=list)


RegisterPlace = Path | CentralRegister
"""Path of the file of a register, or the registers in a central record."""


def runs_of(register: RegisterPlace) -> Path | RunPlace:
    """Return where the runs of a register's visits are: its folder, or the central record."""
    return register.parent if isinstance(register, Path) else register.runs


def _joined(chains: Iterable[_SentChain], say: Callable[[str], None]) -> list[RegisterEntry]:
    """Return each entry once, and tell `say` where stations differ."""
    first: dict[str, tuple[str, dict[int, RegisterEntry]]] = {}
    for sent in chains:
        station, known = first.setdefault(sent.chain, (sent.station, {}))
        for entry in sent.entries:
            there = known.setdefault(entry.number, entry)
            if there.hash != entry.hash or there != entry:
                say(
                    f"entry {entry.number} of chain {printable(sent.chain, 40)} is another one at "
                    f"{printable(sent.station, 63)} than at {printable(station, 63)}, which sent "
                    "this chain first and counts: from there on, the entries of "
                    f"{printable(sent.station, 63)} are left out."
                )
                break
    return [entry for _, known in first.values() for entry in known.values()]


def _is_simulated(document: Any) -> bool:
    """Return whether the first entry of a chain, as its document says, is of simulated benches."""
    begun = RegisterEntry(
        chain="", number=1, at="", who="", kind="chain", unit=None, visit=None, amends=None,
        document=str(document), hash="",
    )  # fmt: skip
    return begun.values().get("simulated") is True
