"""Visits in brief, for lists of many: read by a few queries, without parsing whole budgets.

What one query can't tell (an amendment, entries of several chains, a budget of many rows) is left
to `benchwatch.register.visit.build_visit`, which gives the same values.
"""

import json
import math
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

from benchwatch.estimate.uncertainty.offset_record import CAUTION
from benchwatch.reading import AS_FOUND, AS_LEFT, MEASURED
from benchwatch.register.register_entry import chain_in, number_in
from benchwatch.register.visit import (
    Visit,
    VisitRecord,
    changed_tolerance,
    opening_fields,
    stated_utc,
    utc_of,
)

ROWS_OF_BUDGET: Final = 8
"""Most rows of a budget that the query reads."""
NAMES_AT_ONCE: Final = 500
"""Visits that are asked for by name in one query."""
ALL_FROM: Final = 2000
"""Number of visits from which reading all is quicker than asking for them by name."""
_ROW: Final = ("contribution", "sensitivity", "estimate")
_BRIEF_PATHS: Final = ", ".join([
    "'$.record.kind'", "'$.record.budget.missing[0]'",
    *(f"'$.record.budget.lines[{row}].{name}'" for row in range(ROWS_OF_BUDGET) for name in _ROW),
    f"'$.record.budget.lines[{ROWS_OF_BUDGET}]'",
])  # fmt: skip
_BRIEF: Final = f"""
    SELECT chain, number, at, kind, unit, visit,
        CASE kind WHEN 'record' THEN json_extract(document, {_BRIEF_PATHS})
            WHEN 'amendment' THEN NULL ELSE document END,
        kind = 'record' AND instr(document, '["{CAUTION}",') > 0
    FROM entries
    WHERE visit IS NOT NULL
        AND kind || '' IN ('visit', 'named', 'record', 'closed', 'condition', 'amendment')"""  # noqa: S608 - our own words
# Joined to a text, the kind takes the query not to its index, but through the rows in their order.
_FIELDS: Final = {AS_FOUND: "as_found", AS_LEFT: "as_left"}


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetInBrief:
    """An offset on record; fractional."""

    offset: float
    u: float
    """Standard uncertainty (k = 1)."""
    u_is_lower_limit: bool
    """Whether something that belongs in the budget is unknown."""
    has_caution: bool
    """Whether the record says why it may be wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitSummary:
    """One line about a visit; times are Unix seconds."""

    name: str
    """``CHAIN/NUMBER``."""
    opened_utc_s: float
    closed_utc_s: float | None
    """None while it is open."""
    unit: str | None
    source: str
    counter: str
    resource: str
    nominal_hz: Decimal | None
    tolerance: float | None
    """Fractional."""
    as_found: OffsetInBrief | None
    as_left: OffsetInBrief | None

    @property
    def chain(self) -> str:
        """The chain of the machine that opened it."""
        return chain_in(self.name)

    @property
    def number(self) -> int:
        """Its number in that chain."""
        return number_in(self.name)


def summary_of(visit: Visit) -> VisitSummary:
    """Return the summary of a visit that was read in full."""
    return VisitSummary(
        name=visit.name,
        opened_utc_s=visit.opened_utc_s,
        closed_utc_s=visit.closed_utc_s,
        unit=visit.unit,
        source=visit.source,
        counter=visit.counter,
        resource=visit.resource,
        nominal_hz=visit.nominal_hz,
        tolerance=visit.tolerance,
        as_found=_in_brief(visit.as_found),
        as_left=_in_brief(visit.as_left),
    )


def read_summaries(
    connection: sqlite3.Connection,
    names: Sequence[str],
    read_visit: Callable[[str], Visit | None],
) -> dict[str, VisitSummary]:
    """Return the summaries of the visits `names`, by name; what can't be read is left out.

    Args:
        connection: a connection to the register.
        names: ``CHAIN/NUMBER`` each.
        read_visit: reads one visit in full.
    """
    try:
        found, doubtful = _quick(connection, names)
    except (sqlite3.OperationalError, ValueError, TypeError):  # changed by hand: no JSON, say
        found, doubtful = {}, set(names)
    for name in doubtful:
        visit = read_visit(name)
        if visit is not None:
            found[name] = summary_of(visit)
    return {name: found[name] for name in names if name in found}


def _quick(
    connection: sqlite3.Connection, names: Sequence[str]
) -> tuple[dict[str, VisitSummary], set[str]]:
    """Return summaries by name, and the names of visits that must be read in full."""
    fields: dict[str, dict[str, Any]] = {
        name: {"closed_utc_s": None, "as_found": None, "as_left": None} for name in names
    }
    newest = dict.fromkeys(names, 0)
    doubtful: set[str] = set()
    for chain, number, at, kind, unit, name, document, caution in _rows(connection, names):
        known = fields.get(name)
        if known is None:
            continue
        states: dict[str, Any] | None = None
        if name.startswith(f"{chain}/") and newest[name] < number:
            states = _states(kind, at, unit, document, has_caution=bool(caution))
        if states is None:
            doubtful.add(name)
        else:
            known |= states
            newest[name] = number
    found = {}
    for name, known in fields.items():
        if name in doubtful or "opened_utc_s" not in known:
            doubtful.add(name)
        else:
            found[name] = VisitSummary(name=name, **known)
    return found, doubtful


def _rows(connection: sqlite3.Connection, names: Sequence[str]) -> Iterator[tuple[Any, ...]]:
    """Yield the rows of `_BRIEF` of these visits, in the order of the file, or of all visits."""
    if len(names) >= ALL_FROM:
        yield from connection.execute(f"{_BRIEF} ORDER BY rowid")
        return
    for first in range(0, len(names), NAMES_AT_ONCE):
        some = names[first : first + NAMES_AT_ONCE]
        marks = ",".join("?" * len(some))
        yield from connection.execute(f"{_BRIEF} AND visit IN ({marks}) ORDER BY rowid", some)


def _states(
    kind: str, at: str, unit: str | None, document: str, *, has_caution: bool
) -> dict[str, Any] | None:
    """Return the fields that one entry states; None: the visit must be read in full."""
    values = json.loads(document) if document else None
    if kind == "record" and isinstance(values, list):
        return _record_states(values, has_caution=has_caution)
    if kind == "named":
        return {"unit": unit}
    if kind == "visit" and isinstance(values, dict):
        return opening_fields(values, unit, utc_of(at))
    if kind == "condition" and isinstance(values, dict):
        return changed_tolerance(values)
    if kind == "closed" and isinstance(values, dict):
        return {"closed_utc_s": stated_utc(values.get("ended"), utc_of(at))}
    return None


def _record_states(values: list[Any], *, has_caution: bool) -> dict[str, Any] | None:
    """Return the offset on record from the values at `_BRIEF_PATHS`; None: it is not that simple.

    Offset and u are those of `benchwatch.estimate.uncertainty.uncertainty_budget.Budget`.
    """
    if values[0] == MEASURED:  # stands in no list
        return {}
    field = _FIELDS.get(values[0])
    rows = [values[place : place + 3] for place in range(2, 2 + 3 * ROWS_OF_BUDGET, 3)]
    rows = [row for row in rows if row[0] is not None]
    if field is None or values[-1] is not None or not rows:
        return None
    try:
        brief = OffsetInBrief(
            offset=math.fsum(sensitivity * estimate for _, sensitivity, estimate in rows),
            u=math.hypot(*(contribution for contribution, _, _ in rows)),
            u_is_lower_limit=values[1] is not None,
            has_caution=has_caution,
        )
    except TypeError:  # words in the place of numbers
        return None
    return {field: brief}


def _in_brief(one: VisitRecord | None) -> OffsetInBrief | None:
    if one is None:
        return None
    record = one.record
    return OffsetInBrief(
        offset=record.offset,
        u=record.u,
        u_is_lower_limit=bool(record.budget.missing),
        has_caution=bool(record.caution),
    )
