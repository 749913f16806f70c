"""``visits amend``: amends an entry of a visit, its unit or its nominal."""

from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any, Final

import click

from benchwatch.commands.common.completed_words import UNITS, VISITS
from benchwatch.commands.common.option_types import FRACTION, FREQUENCY, IDENT
from benchwatch.commands.common.output import narrate, print_json
from benchwatch.commands.common.register_options import (
    known_unit,
    written_register,
    written_register_options,
)
from benchwatch.errors import FileError, UsageError
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.quantity import format_frequency, write_fraction
from benchwatch.register import RegisterFile, RegisterReader, Visit, read_register
from benchwatch.register.amending import amend_entries
from benchwatch.register.register_entry import RegisterEntry, in_order_of_writing
from benchwatch.register.visit import TYPED_TABLE
from benchwatch.register.visit_import import TypedOffset, typed_record

WITHOUT_TEXT: Final = frozenset({"visit", "named", "record", "tool"})
"""Kinds of entries that hold no text of a person."""
Change = tuple[RegisterEntry, dict[str, Any] | None]
"""An entry as it was written, and the object that takes the place of its own; None: withdrawn."""


@click.command()
@click.argument("number", shell_complete=VISITS)
@click.argument("entry", required=False)
@click.option("--reason", required=True, help="Why; it is kept with the amendment.")
@click.option("--text", "new_text", help="The text that a note or condition should have.")
@click.option("--offset", type=FRACTION, help="The offset that a record should have: 2.3ppb.")
@click.option("--u", type=FRACTION, help="Its standard uncertainty; that on record if left out.")
@click.option("--unit", type=IDENT, shell_complete=UNITS, help="The unit that it was really of.")
@click.option("--nominal", type=FREQUENCY, help="The nominal of an imported visit: 10MHz.")
@click.option("--withdraw", is_flag=True, help="Take the entry back altogether.")
@written_register_options
def amend(
    *,
    number: str,
    entry: str | None,
    reason: str,
    new_text: str | None,
    offset: float | None,
    u: float | None,
    unit: str | None,
    nominal: Decimal | None,
    withdraw: bool,
    journal: Path | None,
    sim: bool,
    as_json: bool,
) -> None:
    """Amend ENTRY of visit NUMBER; visits show NUMBER names the entries.

    What was written stays in the register, and the newest amendment stands. With --unit or
    --nominal the visit itself is put right, and no ENTRY is needed; its offsets stay the same
    fractions.
    """
    chosen = (new_text is not None, offset is not None, unit is not None, nominal is not None)
    if sum((*chosen, withdraw)) != 1:
        raise UsageError(
            "say what to amend with one of --text, --offset, --unit, --nominal and --withdraw."
        )
    if u is not None and (offset is None or not u > 0):
        raise UsageError("--u is that of --offset, and above zero.")
    path = written_register(journal, sim=sim)
    with read_register(path) as register:
        visit = register.typed_visit(number)
        if unit is not None:
            known_unit(register, unit)
        if nominal is not None:
            changes = _with_nominal(register, visit, entry, nominal)
            found = changes[0][0]
        else:
            found = _amended_entry(register, visit, entry, of_unit=unit is not None)
            changes = [(found, dict(_stands_now(register, found)))]
    values = changes[0][1] or {}
    kept = ""
    if withdraw:
        changes = [(found, None)]
    elif new_text is not None:
        changes = [(found, _with_text(found, values, new_text))]
    elif offset is not None:
        record = _changed_record(found, values, TypedOffset(offset=offset, u=u))
        changes = [(found, {**values, "record": record.as_dict()})]
        kept = "" if u is not None else f" {_kept_words(record)}"
    written = amend_entries(RegisterFile(path), changes, reason, visit=visit.name, unit=unit)
    if as_json:
        print_json({"kind": "amended", "visit": visit.name, "number": visit.number,
                    "entry": found.name, "by": written[0].name, "withdrawn": withdraw})  # fmt: skip
    done = "withdrawn" if withdraw else "amended"
    if nominal is not None:
        hertz = format_frequency(nominal)
        narrate(f"the nominal of visit {visit.number} and of its records is amended to {hertz}.")
        return
    by = written[0].number
    narrate(f"entry {found.number} of visit {visit.number} is {done} by entry {by}.{kept}")


def _amended_entry(
    register: RegisterReader, visit: Visit, typed: str | None, *, of_unit: bool
) -> RegisterEntry:
    """Return the entry that was typed, or the one that states the unit.

    Raises:
        UsageError: none was typed, or there is no such entry.
    """
    if typed is not None:
        return register.entry(typed)
    if not of_unit:
        raise UsageError(
            f"which entry? visits show {visit.number} names those of that visit; type its number "
            "after that of the visit."
        )
    stating = "visit = ? AND kind IN ('visit', 'named')"
    return list(register.entries(stating, (visit.name,)))[-1]


def _with_text(entry: RegisterEntry, values: dict[str, Any], text: str) -> dict[str, Any]:
    """Return the object of an entry with another text.

    Raises:
        UsageError: entries of its kind hold none.
    """
    if entry.kind in WITHOUT_TEXT:
        raise UsageError(f"entry {entry.number} is a {entry.kind}, which has no text to amend.")
    return {**values, "text": text}


def _stands_now(register: RegisterReader, entry: RegisterEntry) -> dict[str, Any]:
    """Return the object of an entry, or of its newest amendment that did not withdraw it."""
    of_entry = register.entries("kind = 'amendment' AND amends = ?", (entry.name,))
    for amendment in reversed(in_order_of_writing(of_entry)):
        document = amendment.values().get("document")
        if isinstance(document, dict):
            return document
    return dict(entry.values())


def _with_nominal(
    register: RegisterReader, visit: Visit, typed: str | None, nominal: Decimal
) -> list[Change]:
    """Return the changes that give a visit and its records another nominal.

    Raises:
        UsageError: an entry was typed with it, or the visit was not imported.
    """
    if typed is not None:
        raise UsageError("--nominal is that of the whole visit: leave out the entry.")
    if visit.source != TYPED_TABLE:
        raise UsageError(
            f"visit {visit.number} was watched, and its offsets were measured against its nominal: "
            "amend its records with --offset."
        )
    if visit.nominal_hz == nominal and all(
        one.record.nominal_hz in {None, float(nominal)} for one in visit.records
    ):
        hertz = format_frequency(nominal)
        raise UsageError(f"visit {visit.number} has the nominal {hertz} already.")
    changes: list[Change] = []
    of_visit = "visit = ? AND kind IN ('visit', 'record')"
    for entry in in_order_of_writing(register.entries(of_visit, (visit.name,))):
        values = dict(_stands_now(register, entry))
        if entry.kind == "visit":
            changes.insert(0, (entry, {**values, "nominal_hz": str(nominal)}))
        elif any(_is_of(entry, one.entry, register) for one in visit.records):
            record = replace(_record_of(entry, values), nominal_hz=float(nominal))
            changes.append((entry, {**values, "record": record.as_dict()}))
    return changes


def _is_of(entry: RegisterEntry, shown: str, register: RegisterReader) -> bool:
    """Return whether `shown` names an entry or an amendment of it."""
    return entry.name == shown or any(
        one.name == shown
        for one in register.entries("kind = 'amendment' AND amends = ?", (entry.name,))
    )


def _record_of(entry: RegisterEntry, values: dict[str, Any]) -> OffsetRecord:
    try:
        return OffsetRecord.from_dict(values["record"])
    except (FileError, KeyError, TypeError) as error:
        raise UsageError(f"entry {entry.number} is no record, and has no offset.") from error


def _changed_record(
    entry: RegisterEntry, values: dict[str, Any], typed: TypedOffset
) -> OffsetRecord:
    """Return the record of an entry with another offset.

    With a u its budget is that u alone; without one the budget stays, and its first row takes the
    change of the offset.

    Raises:
        UsageError: the entry is no record.
    """
    record = _record_of(entry, values)
    rows = record.budget.lines
    if typed.u is not None or not rows or not rows[0].sensitivity:
        made = typed_record(
            record.kind, typed, utc_s=record.utc_s, nominal_hz=record.nominal_hz,
            counter=record.counter, conditions=record.conditions,
        )  # fmt: skip
        return replace(made, span_s=record.span_s, readings=record.readings)
    others = sum(row.sensitivity * row.estimate for row in rows[1:])
    first = replace(rows[0], estimate=(typed.offset - others) / rows[0].sensitivity)
    return replace(record, budget=replace(record.budget, lines=(first, *rows[1:])))


def _kept_words(record: OffsetRecord) -> str:
    if record.known_u is None:
        return "Its uncertainty stays unknown; --u states one."
    amount = write_fraction(record.offset, record.known_u)
    return f"It keeps its own standard uncertainty, {amount.u} {amount.unit}; --u states another."
