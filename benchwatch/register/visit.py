"""A visit as its entries state it now: opened, named, runs, records, remarks, closed, amended."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import Any, Final

from benchwatch.errors import FileError
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.quantity import printable
from benchwatch.reading import AS_FOUND, AS_LEFT, RecordKind
from benchwatch.register.issued_report import IssuedFile, read_issued_file
from benchwatch.register.register_entry import (
    AMENDABLE,
    RegisterEntry,
    chain_in,
    in_order_of_writing,
    number_in,
)
from benchwatch.register.registered_unit import Unit, decimal_of
from benchwatch.register.visit_amendments import Amendment, amendments_of

WATCHED, TYPED_TABLE = "watch", "typed table"
"""Where a visit comes from: watched by this program, or imported from a table that was typed."""
_LONGEST_TEXT: Final = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitRun:
    """A run that is part of a visit."""

    entry: str
    at_utc_s: float
    key: int
    """Key of the run in the journal."""
    journal: str
    """File name of the journal."""
    counter: str
    resource: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitRecord:
    """An offset that was put on record in a visit."""

    entry: str
    """Name of its entry, or of the newest amendment of it."""
    at_utc_s: float
    record: OffsetRecord
    automatic: bool = False
    """Whether it was recorded by the program, from the quiet stretch before the first turn."""
    amended: str = ""
    """Reason of the newest amendment; empty without one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitCheck:
    """A check of the unit's output at another dial setting."""

    entry: str
    """Name of its entry, or of the newest amendment of it."""
    at_utc_s: float
    check: DialCheck
    text: str
    """The same as a sentence."""
    amended: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """A note, a condition or another dated text of a visit."""

    entry: str
    at_utc_s: float
    kind: str
    """Kind of its entry."""
    name: str
    """Name of a condition, such as ``room``; empty for others."""
    text: str
    amended: str = ""
    sentences: tuple[str, ...] = ()
    """All that a comparison says; `text` is its answer in short."""
    numbers: Mapping[str, Any] = field(default_factory=dict)
    """Numbers of a comparison, as in the JSON lines."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One unit on one bench, from the first look to the hand-over; times are Unix seconds."""

    name: str
    """``CHAIN/NUMBER``, unique in any register."""
    opened_utc_s: float
    unit: str | None = None
    """Ident; None while it is nameless."""
    source: str = WATCHED
    counter: str = ""
    resource: str = ""
    nominal_hz: Decimal | None = None
    tolerance: float | None = None
    """Fractional; the one that was said last."""
    settle: str = ""
    """The settle limit in words, the one that was said last; empty without one."""
    runs: tuple[VisitRun, ...] = ()
    records: tuple[VisitRecord, ...] = ()
    """In the order of writing, without those that were withdrawn."""
    remarks: tuple[Remark, ...] = ()
    checks: tuple[VisitCheck, ...] = ()
    """The newest check at each dial setting, in the order of the settings' first ones."""
    pulls: tuple[tuple[float, float | None], ...] = ()
    """Measured pulls of the tool: size and u, fractional."""
    closed_utc_s: float | None = None
    """None while it is open."""
    closed_by: str = ""
    newest_utc_s: float = 0.0
    """When its newest entry was written."""
    newest_entry: str = ""
    amendments: tuple[Amendment, ...] = ()
    """In the order of writing."""
    issues: tuple[IssuedFile, ...] = ()
    """Reports that were issued, a file each, in the order of writing."""

    @property
    def chain(self) -> str:
        """The chain of the machine that opened it."""
        return chain_in(self.name)

    @property
    def number(self) -> int:
        """Its number in that chain."""
        return number_in(self.name)

    @property
    def as_found(self) -> VisitRecord | None:
        """The newest record as found; None without one."""
        return self.newest_record(AS_FOUND)

    @property
    def comparison(self) -> Remark | None:
        """The newest comparison of counters; None without one."""
        kind = "comparison"
        return next((one for one in reversed(self.remarks) if one.kind == kind), None)

    @property
    def as_left(self) -> VisitRecord | None:
        """The newest record as left; None without one."""
        return self.newest_record(AS_LEFT)

    @property
    def newest_issue(self) -> IssuedFile | None:
        """The first file of the report's newest issue; None where none was issued."""
        return max(self.issues, key=lambda one: one.issue.number, default=None)

    def newest_record(self, kind: RecordKind) -> VisitRecord | None:
        """Return the newest record of a kind; None without one."""
        return next((one for one in reversed(self.records) if one.record.kind == kind), None)


def tolerance_of(visit: Visit, unit: Unit | None) -> float | None:
    """Return the tolerance of a visit, else of its unit, fractional; None without one."""
    stated = visit.tolerance
    if stated is None and unit is not None:
        stated = unit.tolerance
    return stated if stated is not None and stated > 0 else None


def nominal_of(visit: Visit, unit: Unit | None) -> Decimal | None:
    """Return the nominal of a visit, else of its unit, in hertz; None without one."""
    return unit.nominal_hz if visit.nominal_hz is None and unit is not None else visit.nominal_hz


def build_visit(name: str, entries: Iterable[RegisterEntry]) -> Visit:
    """Return the visit `name` as its entries, in any order, state it now.

    An amendment takes the place of the entry that it amends, or withdraws it; the amended entry
    stays in the register. What can't be read, as after a change by hand, is left out.
    """
    entries = in_order_of_writing(entries)
    newest_amendment = {
        entry.amends: entry for entry in entries if entry.kind == "amendment" and entry.amends
    }
    fields: dict[str, Any] = {"name": name, "opened_utc_s": 0.0}
    if entries:  # where the entry that opened it was lost, the first one that is left counts
        fields |= {"opened_utc_s": utc_of(entries[0].at), "unit": entries[0].unit}
    lists: dict[str, list[Any]] = {"runs": [], "records": [], "remarks": []}
    lists |= {"checks": [], "issues": []}
    fields |= lists
    fields["amendments"] = tuple(amendments_of(entries))
    for entry in entries:
        amendment = newest_amendment.get(entry.name) if entry.kind in AMENDABLE else None
        values: Mapping[str, Any] | None = entry.values()
        reason = ""
        if amendment is not None:
            amended = amendment.values()
            reason = _text(amended.get("reason")) or "without a reason"
            document = amended.get("document")
            values = document if isinstance(document, dict) else None
        if values is not None:
            shown = entry if amendment is None else amendment
            _take(entry, values, shown, reason, fields)
    if entries:
        fields |= {"newest_utc_s": utc_of(entries[-1].at), "newest_entry": entries[-1].name}
    return Visit(**(fields | {field: tuple(some) for field, some in lists.items()}))


def _take(
    entry: RegisterEntry,
    values: Mapping[str, Any],
    shown: RegisterEntry,
    reason: str,
    fields: dict[str, Any],
) -> None:
    """Take what one entry states into the fields of a visit.

    Args:
        entry: the entry.
        values: its object, or that of its newest amendment.
        shown: the entry that `values` are from.
        reason: that of the amendment; empty without one.
        fields: fields of the visit so far; of those with several items, lists.
    """
    at_utc_s = utc_of(entry.at)
    match entry.kind:
        case "visit":
            fields |= opening_fields(values, shown.unit, at_utc_s)
            fields["settle"] = _text(values.get("settle"))
        case "named":
            fields["unit"] = shown.unit
        case "run":
            fields["runs"] += filter(None, [_run(entry, values)])
        case "record":
            fields["records"] += filter(None, [_record(shown, at_utc_s, values, reason)])
        case "tool":
            fields["pulls"] = _pulls(values.get("samples"))
        case "closed":
            fields["closed_utc_s"] = stated_utc(values.get("ended"), at_utc_s)
            fields["closed_by"] = entry.who
        case "check":
            _add_check(fields["checks"], shown, at_utc_s, values, reason)
        case "report":
            fields["issues"] += filter(None, [read_issued_file(entry, values, at_utc_s)])
        case "note" | "condition" | "power" | "comparison":
            fields["remarks"].append(_remark(shown, at_utc_s, values, reason, kind=entry.kind))
            fields |= changed_tolerance(values)
            fields["settle"] = _text(values.get("settle")) or fields.get("settle", "")


def opening_fields(values: Mapping[str, Any], unit: str | None, at_utc_s: float) -> dict[str, Any]:
    """Return the fields of a visit that the entry which opened it states.

    Args:
        values: its object.
        unit: ident of the unit.
        at_utc_s: when it was written, Unix seconds.
    """
    return {
        "opened_utc_s": stated_utc(values.get("began"), at_utc_s),
        "unit": unit,
        "source": _text(values.get("source")) or WATCHED,
        "counter": _text(values.get("counter")),
        "resource": _raw_text(values.get("resource")),
        "nominal_hz": decimal_of(values.get("nominal_hz")),
        "tolerance": _optional(values.get("tolerance")),
    }


def changed_tolerance(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the tolerance as a field of a visit, if a condition changes it; else no field."""
    tolerance = _optional(values.get("tolerance"))
    return {} if tolerance is None else {"tolerance": tolerance}


def stated_utc(stated: object, otherwise_s: float) -> float:
    """Return the time that was stated, Unix seconds; `otherwise_s` where none was."""
    return utc_of(stated) if isinstance(stated, str) else otherwise_s


def _run(entry: RegisterEntry, values: Mapping[str, Any]) -> VisitRun | None:
    key = values.get("run")
    if not isinstance(key, int):
        return None
    return VisitRun(
        entry=entry.name,
        at_utc_s=utc_of(entry.at),
        key=key,
        journal=_text(values.get("journal")),
        counter=_text(values.get("counter")),
        resource=_raw_text(values.get("resource")),
    )


def _record(
    shown: RegisterEntry, at_utc_s: float, values: Mapping[str, Any], reason: str
) -> VisitRecord | None:
    try:
        record = OffsetRecord.from_dict(values["record"])
    except (FileError, KeyError, TypeError, ValueError, OverflowError):
        return None
    return VisitRecord(
        entry=shown.name,
        at_utc_s=at_utc_s,
        record=record,
        automatic=values.get("automatic") is True,
        amended=reason,
    )


def _add_check(
    checks: list[VisitCheck],
    shown: RegisterEntry,
    at_utc_s: float,
    values: Mapping[str, Any],
    reason: str,
) -> None:
    """Add a check to the list, in place of an earlier one at the same setting."""
    stated = values.get("check")
    try:
        check = DialCheck.from_dict(stated if isinstance(stated, dict) else {})
    except FileError:
        return
    found = VisitCheck(
        entry=shown.name,
        at_utc_s=at_utc_s,
        check=check,
        text=_text(values.get("text")),
        amended=reason,
    )
    hertz = [one.check.setting_hz for one in checks]
    if check.setting_hz in hertz:
        checks[hertz.index(check.setting_hz)] = found
    else:
        checks.append(found)


def _remark(
    shown: RegisterEntry, at_utc_s: float, values: Mapping[str, Any], reason: str, kind: str = ""
) -> Remark:
    numbers = values.get("comparison")
    numbers = numbers if isinstance(numbers, dict) else {}
    sentences = numbers.get("sentences")
    return Remark(
        entry=shown.name,
        at_utc_s=at_utc_s,
        kind=kind or shown.kind,
        name=_text(values.get("name")),
        text=_text(values.get("text")),
        amended=reason,
        sentences=tuple(map(_text, sentences)) if isinstance(sentences, list) else (),
        numbers=numbers,
    )


def _pulls(samples: object) -> tuple[tuple[float, float | None], ...]:
    if not isinstance(samples, list):
        return ()
    return tuple(
        (float(one[0]), _optional(one[1]))
        for one in samples
        if isinstance(one, list) and len(one) == 2 and isinstance(one[0], int | float)
    )


def utc_of(text: str) -> float:
    """Return the Unix seconds of an ISO 8601 time; 0 when it is none."""
    try:
        return datetime.fromisoformat(text).timestamp()
    except (ValueError, OverflowError):
        return 0.0


def _optional(value: object) -> float | None:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if number else None  # type: ignore[arg-type] # a number by now


def _text(value: object) -> str:
    return printable(value, _LONGEST_TEXT) if isinstance(value, str) else ""


def _raw_text(value: object) -> str:
    """Return a text to be compared and never shown."""
    return value if isinstance(value, str) else ""
