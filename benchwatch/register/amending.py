"""Amends entries of the register: which may be amended, by what, and why an amendment is refused.

Nothing is changed: an amendment is a further entry. The newest one of an entry stands.
"""

import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any, Final

from benchwatch.errors import FileError, UsageError
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.quantity import printable
from benchwatch.register.register_entry import (
    AMENDABLE,
    Draft,
    RegisterEntry,
    canonical,
    in_order_of_writing,
)
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_schema import SELECT, entry_of

LONGEST_REASON: Final = 500
"""Characters of a reason."""
_REFUSALS: Final = {
    "unit": "a unit is not amended: state it anew, and the newest statement stands",
    "run": "a run of a watch is not amended: add a note that says what was wrong with it",
    "closed": "a closed visit stays closed: open a further visit of the unit",
    "report": "a report that was issued is not amended: issue it anew",
    "chain": "the beginning of a chain is not amended",
}
_WITH_TEXT: Final = frozenset({"note", "condition", "power"})


def amend_entry(
    register: RegisterFile,
    entry: RegisterEntry,
    values: Mapping[str, Any] | None,
    reason: str,
    *,
    visit: str | None = None,
    unit: str | None = None,
) -> RegisterEntry:
    """Add an amendment of `entry`, and return it; the amended entry stays as it was written.

    Args:
        register: the register that has the entry.
        entry: the entry as it was written.
        values: the object that takes the place of the entry's; None: the entry is withdrawn.
        reason: why, in words; it is kept with the amendment.
        visit: the visit, ``CHAIN/NUMBER``, that the entry is meant to belong to; None: any.
        unit: ident that the entry of the kind ``visit`` or ``named`` should have had; None: it
            stays as it is.

    Raises:
        UsageError: the entry can't be amended, or not by these values; nothing is written.
        RegisterError: the register can't be written.
    """
    if unit is not None and entry.kind not in {"visit", "named"}:
        _check_entry(entry, visit)
        raise UsageError(
            f"entry {entry.number} is a {entry.kind}, which states no unit: amend the entry that "
            "opened or named the visit."
        )
    return amend_entries(register, [(entry, values)], reason, visit=visit, unit=unit)[-1]


def amend_entries(
    register: RegisterFile,
    changes: Sequence[tuple[RegisterEntry, Mapping[str, Any] | None]],
    reason: str,
    *,
    visit: str | None = None,
    unit: str | None = None,
) -> list[RegisterEntry]:
    """Add amendments of several entries in one transaction, for one reason.

    Args:
        register: the register that has the entries.
        changes: each entry as it was written, and its new object, as for `amend_entry`.
        reason: why, in words; it is kept with each.
        visit: as for `amend_entry`.
        unit: as for `amend_entry`.

    Raises:
        UsageError: one of them can't be amended so; nothing is written.
        RegisterError: the register can't be written.
    """
    for entry, values in changes:
        _check_entry(entry, visit)
        if values is None:
            _check_withdrawal(entry)
        else:
            _check_values(entry, values)
    why = " ".join(reason.split())
    if not why:
        raise UsageError("an amendment needs its reason: say in words why it is made.")
    if len(why) > LONGEST_REASON:
        raise UsageError(
            f"the reason has {len(why)} characters: {LONGEST_REASON} at most. Put the rest into a "
            "note of the visit."
        )
    with register.writing() as connection:
        drafts = [
            Draft(
                kind="amendment",
                document={"reason": why, "document": None if values is None else dict(values)},
                unit=unit or _present_unit(connection, register, entry),
                visit=entry.visit,
                amends=entry.name,
            )
            for entry, values in changes
        ]
        return list(register.put(connection, drafts))


def _check_entry(entry: RegisterEntry, visit: str | None) -> None:
    """Refuse an entry of another visit, and one of a kind that is not amended."""
    if visit is not None and entry.visit != visit:
        belongs = f"of visit {entry.visit}" if entry.visit else "of no visit"
        raise UsageError(f"entry {entry.name} is {belongs}, and not of visit {visit}.")
    if entry.kind in AMENDABLE:
        return
    if entry.kind == "amendment":
        raise UsageError(
            f"entry {entry.number} is an amendment itself: amend {entry.amends} once more, and "
            "the newest amendment stands."
        )
    kind = printable(entry.kind, 20)
    why = _REFUSALS.get(kind, f"an entry of the kind '{kind}' is not amended")
    raise UsageError(f"entry {entry.number}: {why}.")


def _check_withdrawal(entry: RegisterEntry) -> None:
    if entry.kind == "visit":
        raise UsageError(
            f"entry {entry.number} opened its visit, and a visit is not withdrawn: withdraw its "
            "records, and close it."
        )


def _check_values(entry: RegisterEntry, values: Mapping[str, Any]) -> None:
    """Refuse values that an entry of this kind can't have."""
    if entry.kind == "record":
        try:
            OffsetRecord.from_dict(values["record"])
        except (FileError, KeyError, TypeError) as error:
            raise UsageError(f"entry {entry.number} is a record: {_without_dot(error)}.") from error
    if entry.kind in _WITH_TEXT and not str(values.get("text") or "").strip():
        raise UsageError(
            f"entry {entry.number} is a {entry.kind}, and its new text is empty: type one, or "
            "withdraw the entry."
        )
    try:
        canonical(values)
    except (ValueError, TypeError) as error:
        raise UsageError(f"entry {entry.number} can't be amended by this: {error}.") from error


def _present_unit(
    connection: sqlite3.Connection, register: RegisterFile, entry: RegisterEntry
) -> str | None:
    """Return the unit that the entry, or its newest amendment, states now.

    Raises:
        UsageError: the register doesn't have this entry.
    """
    there = "SELECT unit FROM entries WHERE chain = ? AND number = ? AND hash = ?"
    row = connection.execute(there, (entry.chain, entry.number, entry.hash)).fetchone()
    if row is None:
        raise UsageError(f"there is no entry {entry.name} as it was read in {register.path}.")
    amendments = f"{SELECT} WHERE visit = ? AND kind = 'amendment' AND amends = ?"
    found = map(entry_of, connection.execute(amendments, (entry.visit, entry.name)))
    newest = in_order_of_writing(found)
    return newest[-1].unit if newest else entry.unit


def _without_dot(error: Exception) -> str:
    return str(error).rstrip(".")
