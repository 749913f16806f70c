"""Finds visits in the register by unit, text and state, without reading them."""

import json
import sqlite3
from collections.abc import Iterator
from typing import Any, Final

from benchwatch.clock import iso_time
from benchwatch.register.visit import stated_utc, utc_of

IS_OPEN: Final = """NOT EXISTS (
    SELECT 1 FROM entries WHERE entries.visit = opened.visit AND entries.kind = 'closed')"""
"""SQL condition on a row of the query's table ``opened``: its visit is not closed."""
_SAID: Final = "'note', 'condition', 'power', 'comparison', 'check', 'amendment', 'unit'"
"""Kinds whose words are searched."""
_SAID_IN: Final = ("text", "name", "reason", "description", "place", "owner")
"""Names of these words in their documents."""


def opened_visits(
    connection: sqlite3.Connection, *, unit: str | None, text: str, open_only: bool
) -> list[tuple[str, str]]:
    """Return when visits were opened (as `clock.iso_time` writes it) and names, the newest first.

    Args:
        connection: a connection to the register.
        unit: ident of a unit that the visit has, or had before an amendment; None: any.
        text: part of an ident or of something said, in upper or lower case; empty: any.
        open_only: whether to leave out visits that are closed.
    """
    conditions, values = ["kind = 'visit'"], []
    if open_only:
        conditions.append(IS_OPEN)
    if unit is not None:
        conditions.append("visit IN (SELECT visit FROM entries WHERE unit = ?)")
        values.append(unit)
    # Only a typed visit states when it began, apart from when its entry was written.
    query = f"""
        SELECT at, rowid, visit, CASE WHEN instr(document, '"began"') > 0 THEN document END
        FROM entries AS opened WHERE {" AND ".join(conditions)}"""  # noqa: S608 - our own words
    found = [
        (_began(document, at) if document else at, place, name)
        for at, place, name, document in connection.execute(query, values)
    ]
    if text:
        said = _visits_with(connection, text.casefold())
        found = [one for one in found if one[2] in said]
    return [(at, name) for at, _, name in sorted(found, reverse=True)]


def _began(document: str, at: str) -> str:
    return iso_time(stated_utc(_object(document).get("began"), utc_of(at))) or at


def _visits_with(connection: sqlite3.Connection, folded: str) -> set[str]:
    """Return the names of visits in which something said, or the unit, has this text."""
    units: set[str] = set()
    visits: set[str] = set()
    query = f"SELECT visit, unit, document FROM entries WHERE kind IN ({_SAID})"  # noqa: S608 - ours
    for visit, unit, document in connection.execute(query):
        if any(folded in word.casefold() for word in _words(_object(document))):
            if visit is not None:
                visits.add(str(visit))
            elif unit is not None:
                units.add(str(unit))
    query = "SELECT DISTINCT unit, visit FROM entries WHERE visit IS NOT NULL"
    for unit, visit in connection.execute(query):
        if unit is not None and (unit in units or folded in str(unit).casefold()):
            visits.add(str(visit))
    return visits


def _words(values: dict[str, Any]) -> Iterator[str]:
    amended = values.get("document")
    for one in (values, amended if isinstance(amended, dict) else {}):
        for name in _SAID_IN:
            word = one.get(name)
            if isinstance(word, str):
                yield word


def _object(document: object) -> dict[str, Any]:
    try:
        values = json.loads(str(document))
    except (ValueError, RecursionError):
        return {}
    return values if isinstance(values, dict) else {}
