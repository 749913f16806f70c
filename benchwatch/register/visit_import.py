"""Adds visits that were typed as a table, marked as such; importing them twice adds nothing."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

from benchwatch.clock import iso_time
from benchwatch.errors import UsageError
from benchwatch.estimate.ageing.history_records import TYPED
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.estimate.uncertainty.uncertainty_budget import Budget, BudgetRow
from benchwatch.quantity import how_many
from benchwatch.reading import AS_FOUND, AS_LEFT, RecordKind
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
from benchwatch.register.register_reader import RegisterReader
from benchwatch.register.registered_unit import Unit
from benchwatch.register.visit import TYPED_TABLE, Visit, VisitRecord

SAME_DAY_S: Final = 12 * 3600.0
"""A typed visit of a unit that is nearer to another one is of the same day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedOffset:
    """An offset that was typed; fractional."""

    offset: float
    u: float | None = None
    """None: not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedVisit:
    """One row of a typed table."""

    where: str
    """File and line, for messages."""
    unit: str
    utc_s: float
    nominal_hz: Decimal | None = None
    as_found: TypedOffset | None = None
    as_left: TypedOffset | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What an import did."""

    added: int
    there_already: int
    new_units: tuple[str, ...]


def import_visits(
    register: RegisterFile, rows: Sequence[TypedVisit], *, new_units: bool
) -> Imported:
    """Add the visits that are not there yet, all in one transaction; each is closed.

    Args:
        register: where they are added.
        rows: the visits.
        new_units: whether units that are not known are made.

    Raises:
        UsageError: a unit is not known, or the register has another visit of that unit on that
            day; nothing is added.
        RegisterError: the register can't be written.
    """
    with register.writing() as connection:
        reader = RegisterReader(connection, register.path)
        known = {unit.ident for unit in reader.units()}
        visits: dict[str, list[Visit]] = {}
        made: dict[str, Unit] = {}
        drafts: list[list[Draft]] = []
        for row in rows:
            if row.unit not in known and row.unit not in made:
                if not new_units:
                    like = reader.like(row.unit)
                    there_is = "" if like is None else f" There is {like}."
                    raise UsageError(
                        f"{row.where}: there is no unit {row.unit}.{there_is} Put the ident right, "
                        "or add --new to make the units that are not known. Nothing was imported."
                    )
                made[row.unit] = Unit(ident=row.unit, nominal_hz=row.nominal_hz)
            if row.unit not in visits:
                visits[row.unit] = reader.visits_of(row.unit)
            if not _is_there(row, visits[row.unit]):
                drafts.append(_drafts(row))
        if drafts:
            register.put(connection, [unit.draft() for unit in made.values()])
        for some in drafts:
            register.put(connection, some)
    return Imported(
        added=len(drafts),
        there_already=len(rows) - len(drafts),
        new_units=tuple(made) if drafts else (),
    )


def imported_words(done: Imported) -> str:
    """Write what an import did."""
    if not done.added:
        return "all of these visits are in the register already; nothing was added."
    already = f"; {done.there_already} there already" if done.there_already else ""
    units = f", and {how_many(len(done.new_units), 'new unit')}" if done.new_units else ""
    return f"{how_many(done.added, 'visit')} imported{units}{already}."


def typed_record(
    kind: RecordKind,
    typed: TypedOffset,
    *,
    utc_s: float | None,
    nominal_hz: float | None,
    counter: str = "",
    conditions: tuple[tuple[str, str], ...] = (),
) -> OffsetRecord:
    """Return a record of which only an offset, and perhaps its u, is known."""
    source = "stated with it" if typed.u is not None else "not stated"
    row = BudgetRow(
        name=TYPED, source=source, u=typed.u or 0.0, distribution="normal", estimate=typed.offset
    )
    missing = () if typed.u is not None else ("uncertainty: none was typed",)
    return OffsetRecord(
        kind=kind,
        counter=counter,
        nominal_hz=nominal_hz,
        utc_s=utc_s,
        span_s=0.0,
        readings=0,
        budget=Budget((row,), missing),
        conditions=conditions,
    )


def _is_there(row: TypedVisit, visits: Sequence[Visit]) -> bool:
    """Return whether the register has this visit.

    Raises:
        UsageError: it has a visit of that day with other values.
    """
    for visit in visits:
        if abs(visit.opened_utc_s - row.utc_s) > SAME_DAY_S:
            continue
        same = _same(row.as_found, visit.as_found) and _same(row.as_left, visit.as_left)
        if same and visit.source == TYPED_TABLE:
            return True
        raise UsageError(
            f"{row.where}: the register has a visit of {row.unit} on that day already, visit "
            f"{visit.number}, with other values. Leave the row out, or amend that visit. Nothing "
            "was imported."
        )
    return False


def _same(typed: TypedOffset | None, one: VisitRecord | None) -> bool:
    if typed is None or one is None:
        return typed is None and one is None
    return typed.offset == one.record.offset and (typed.u or 0.0) == one.record.u


def _drafts(row: TypedVisit) -> list[Draft]:
    """Return the entries of one visit: it begins and ends when it says."""
    at = iso_time(row.utc_s)
    nominal = None if row.nominal_hz is None else str(row.nominal_hz)

    def draft(values: dict[str, Any], kind: Any) -> Draft:
        return Draft(kind=kind, document=values, unit=row.unit)

    opening = {
        "source": TYPED_TABLE, "began": at, "nominal_hz": nominal, "tolerance": None,
        "counter": "", "resource": "",
    }  # fmt: skip
    found = [draft(opening, "visit")]
    kinds: tuple[tuple[RecordKind, TypedOffset | None], ...] = (
        (AS_FOUND, row.as_found),
        (AS_LEFT, row.as_left),
    )
    for kind, typed in kinds:
        if typed is not None:
            record = typed_record(
                kind,
                typed,
                utc_s=row.utc_s,
                nominal_hz=None if row.nominal_hz is None else float(row.nominal_hz),
            )
            found.append(draft({"record": record.as_dict(), "automatic": False}, "record"))
    if row.note:
        found.append(draft({"text": row.note}, "note"))
    return [*found, draft({"ended": at}, "closed")]
