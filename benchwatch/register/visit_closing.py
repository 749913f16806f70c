"""Closes a visit, once, whichever of several programs does it."""

import sqlite3

from benchwatch.errors import UsageError
from benchwatch.register.register_entry import Draft, RegisterEntry
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_schema import SELECT, entry_of


def close_visit(register: RegisterFile, name: str, unit: str | None) -> RegisterEntry:
    """Close the visit ``CHAIN/NUMBER`` of `unit`; return the entry.

    Raises:
        UsageError: it is closed already; the message says since when.
        RegisterError: the register can't be written.
    """
    draft = Draft(kind="closed", document={}, unit=unit, visit=name)
    return register.add([draft], check=lambda connection: _refuse_closed(connection, name))[-1]


def _refuse_closed(connection: sqlite3.Connection, name: str) -> None:
    query = f"{SELECT} WHERE visit = ? AND kind = 'closed' LIMIT 1"
    for row in connection.execute(query, (name,)):
        entry = entry_of(row)
        raise UsageError(
            f"visit {name.rpartition('/')[2]} is closed already, since {entry.at} by {entry.who}."
        )
