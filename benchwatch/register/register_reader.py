"""Reads the register: units and visits as they stand now, and entries as they were written."""

import json
import math
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from decimal import Decimal
from pathlib import Path
from typing import Final, Protocol

from benchwatch.clock import iso_time
from benchwatch.errors import UsageError
from benchwatch.quantity import printable
from benchwatch.register.register_entry import RegisterEntry, in_order_of_writing
from benchwatch.register.register_file import RegisterFile, own_chain
from benchwatch.register.register_schema import SELECT, entry_of
from benchwatch.register.registered_unit import Unit
from benchwatch.register.visit import Visit, build_visit
from benchwatch.register.visit_search import IS_OPEN, opened_visits
from benchwatch.register.visit_summary import VisitSummary, read_summaries

_IN_ORDER: Final = " ORDER BY rowid"
NEWEST_RUNS: Final = 500
"""Runs among which an open visit is looked for by its resource."""
MOST_DIGITS: Final = 18
"""Digits of a number of a visit or an entry: a longer one is none."""


class RegisterReader:
    """One state of the register; a missing file is an empty register.

    Args:
        connection: as `RegisterFile.reading` yields it; None: there is no register yet.
        where: path of the file, or what its text names it, for messages; it may have
            ``typed_options``, by which a command reads it.
    """

    def __init__(self, connection: sqlite3.Connection | None, where: object) -> None:
        self._connection, self._where = connection, where
        self.own_chain = None if connection is None else own_chain(connection)
        """The chain in which this machine writes; None: it has not written yet."""

    def entries(self, where: str = "", values: Sequence[object] = ()) -> Iterator[RegisterEntry]:
        """Yield the entries that fulfil the SQL condition `where`, in the order of writing."""
        if self._connection is not None:
            query = SELECT + (f" WHERE {where}" if where else "") + _IN_ORDER
            yield from map(entry_of, self._connection.execute(query, tuple(values)))

    def listing(self, command: str) -> str:
        """Return the command line that lists what the register has: ``visits`` or ``units``."""
        return f"benchwatch {command}{getattr(self._where, 'typed_options', '')}"

    # ------------------------------------------------------------ units

    def unit(self, ident: str) -> Unit | None:
        """Return the unit as the newest entry about it states it; None if there is none."""
        stated = in_order_of_writing(
            self.entries("unit = ? AND visit IS NULL AND kind = 'unit'", (ident,))
        )
        return Unit.from_values(ident, stated[-1].values()) if stated else None

    def units(self) -> list[Unit]:
        """Return all units, in the order in which they were made."""
        stated = in_order_of_writing(self.entries("kind = 'unit'"))
        newest = {entry.unit or "": entry for entry in stated}
        return [Unit.from_values(ident, entry.values()) for ident, entry in newest.items()]

    def like(self, ident: str) -> str | None:
        """Return the ident of a unit that differs from `ident` in upper and lower case only."""
        folded = ident.casefold()
        return next((unit.ident for unit in self.units() if unit.ident.casefold() == folded), None)

    # ------------------------------------------------------------ visits

    def visit(self, name: str) -> Visit | None:
        """Return the visit ``CHAIN/NUMBER``; None if there is none."""
        entries = list(self.entries("visit = ?", (name,)))
        return build_visit(name, entries) if entries else None

    def typed_visit(self, text: str) -> Visit:
        """Return the visit that a person named by its number, or by ``CHAIN/NUMBER``.

        Raises:
            UsageError: there is no such visit.
        """
        name = text.strip()
        if name.isdecimal() and len(name) <= MOST_DIGITS:
            end = f"/{int(name)}"
            names = [one for one in self.visit_names() if one.endswith(end)]
            own = f"{self.own_chain}{end}"
            if len(names) > 1 and own not in names:
                raise UsageError(
                    f"several visits have the number {name}, of several machines: give one of "
                    f"{', '.join(names)}."
                )
            name = own if own in names or not names else names[0]
        visit = self.visit(name)
        if visit is None:
            raise UsageError(
                f"there is no visit {printable(text, 40)} in {self._where}. "
                f"{self.listing('visits')} lists them."
            )
        return visit

    def visit_names(self) -> list[str]:
        """Return the names of all visits in the order in which they were opened."""
        if self._connection is None:
            return []
        query = "SELECT visit FROM entries WHERE kind = 'visit' ORDER BY rowid"
        return [str(name) for (name,) in self._connection.execute(query)]

    def visits_of(self, ident: str) -> list[Visit]:
        """Return the visits of a unit, in the order in which they were opened."""
        return self._visits_of(ident, "")

    def open_visit_of(self, ident: str) -> Visit | None:
        """Return the newest open visit of a unit; None if there is none."""
        visits = self._visits_of(ident, f"AND {IS_OPEN}")
        return visits[-1] if visits else None

    def is_closed(self, name: str) -> bool:
        """Return whether the visit ``CHAIN/NUMBER`` is closed."""
        return any(True for _ in self.entries("visit = ? AND kind = 'closed'", (name,)))

    def recent_runs(self) -> frozenset[int]:
        """Return the keys of the newest `NEWEST_RUNS` runs that are part of a visit, closed or not.

        A run of which nothing was recorded may be in none.
        """
        if self._connection is None:
            return frozenset()
        query = "SELECT document FROM entries WHERE kind = 'run' ORDER BY rowid DESC LIMIT ?"
        newest = self._connection.execute(query, (NEWEST_RUNS,))
        found = (_in_document(text, "run") for (text,) in newest)
        return frozenset(key for key in found if isinstance(key, int))

    def open_visits(self, resource: str, nominal: Decimal | None) -> list[Visit]:
        """Return open visits whose last run was on `resource`, the newest first.

        Only the newest `NEWEST_RUNS` runs are looked at.

        Args:
            resource: the instrument.
            nominal: hertz; None fits any visit, and a visit without one fits any nominal.
        """
        if self._connection is None:
            return []
        query = f"""
            SELECT visit, document FROM (
                SELECT visit, document FROM entries WHERE kind = 'run'
                ORDER BY rowid DESC LIMIT ?) AS opened
            WHERE {IS_OPEN}"""  # noqa: S608 - our own words
        runs = self._connection.execute(query, (NEWEST_RUNS,)).fetchall()
        names = dict.fromkeys(
            str(name) for name, text in runs if _in_document(text, "resource") == resource
        )
        found = []
        for name in names:
            visit = self.visit(name)
            if visit is None:
                continue
            same = None in (nominal, visit.nominal_hz) or nominal == visit.nominal_hz
            if same and visit.runs and visit.runs[-1].resource == resource:
                found.append(visit)
        return found

    def summaries(
        self,
        *,
        unit: str | None = None,
        text: str = "",
        since_utc_s: float = -math.inf,
        until_utc_s: float = math.inf,
        open_only: bool = False,
        limit: int | None = None,
    ) -> list[VisitSummary]:
        """Return visits in brief, the one opened last first.

        Args:
            unit: ident; None: visits of all units, and nameless ones.
            text: part of the ident, of what is said of the unit, or of a note or condition, in
                upper or lower case; empty: any.
            since_utc_s: the first moment of opening, Unix seconds.
            until_utc_s: the last moment of opening.
            open_only: whether to leave out visits that are closed.
            limit: how many at most; None: all.
        """
        if self._connection is None:
            return []
        chosen = opened_visits(self._connection, unit=unit, text=text, open_only=open_only)
        since, until = iso_time(since_utc_s) or "", iso_time(until_utc_s) or "~"
        names = [name for at, name in chosen if since <= at <= until]
        found: list[VisitSummary] = []
        at_once = len(names) if limit is None else max(limit, 1)
        for first in range(0, len(names), max(at_once, 1)):
            some = names[first : first + at_once]
            read = read_summaries(self._connection, some, self.visit)
            found += [one for one in read.values() if unit is None or one.unit == unit]
            if limit is not None and len(found) >= limit:
                return found[:limit]
        return found

    def _visits_of(self, ident: str, condition: str) -> list[Visit]:
        if self._connection is None:
            return []
        query = f"""
            SELECT DISTINCT visit FROM entries AS opened
            WHERE unit = ? AND visit IS NOT NULL {condition}"""  # noqa: S608 - our own words
        names = [str(name) for (name,) in self._connection.execute(query, (ident,))]
        visits = [self.visit(name) for name in names]
        found = [one for one in visits if one is not None and one.unit == ident]
        return sorted(found, key=lambda one: (one.opened_utc_s, one.chain, one.number))

    def entry(self, text: str) -> RegisterEntry:
        """Return the entry that a person named by its number, or by ``CHAIN/NUMBER``.

        Raises:
            UsageError: there is no such entry.
        """
        chain, _, number = text.strip().rpartition("/")
        if number.isdecimal() and len(number) <= MOST_DIGITS:
            wanted = (chain or self.own_chain, int(number))
            for entry in self.entries("chain = ? AND number = ?", wanted):
                return entry
        raise UsageError(f"there is no entry {printable(text, 40)} in {self._where}.")


class RegisterSource(Protocol):
    """What is read as a register: its file, or something that gives one; its text names it."""

    @property
    def is_simulated(self) -> bool:
        """Whether it is of simulated benches."""
        ...

    def reading(self) -> AbstractContextManager[sqlite3.Connection | None]:
        """Yield a connection that reads one state of it; None: there is nothing yet."""
        ...


def register_source(place: Path | RegisterSource) -> RegisterSource:
    """Return the register at a path; any other source of one as it is."""
    return RegisterFile(place) if isinstance(place, Path) else place


@contextmanager
def read_register(place: Path | RegisterSource) -> Iterator[RegisterReader]:
    """Yield a reader of the register at a path, or of another source.

    Raises:
        RegisterError: it can't be read as a register.
    """
    with register_source(place).reading() as connection:
        yield RegisterReader(connection, place)


def _in_document(document: object, name: str) -> object:
    """Return the value `name` in the document of an entry; None if there is none."""
    try:
        values = json.loads(str(document))
    except (ValueError, RecursionError):
        return None
    return values.get(name) if isinstance(values, dict) else None
