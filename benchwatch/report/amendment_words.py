"""Sentences on the amendments of a visit: what was amended, from what to what, and why."""

from collections.abc import Callable, Mapping
from typing import Any, Final

from benchwatch.errors import FileError
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord
from benchwatch.quantity import format_frequency, offset_unit, printable, write_fraction
from benchwatch.register.registered_unit import decimal_of
from benchwatch.register.visit_amendments import Amendment

LONGEST_VALUE_CHARS: Final = 200
"""Characters of a value that was amended."""
LONGEST_REASON_CHARS: Final = 500


def amendment_words(one: Amendment, entry: Callable[[str], str]) -> str:
    """Write an amendment: ``amended: as found +37.06 ± 0.02 ppb (entry 4) to +37.20 ...: reason``.

    Args:
        one: the amendment.
        entry: returns what an entry is called.
    """
    before = stated_words(one, one.before, one.unit_before)
    after = "" if one.after is None else stated_words(one, one.after, one.unit_after)
    if before == after:  # what a record shows stayed: its nominal may have changed
        before, after = (
            f"{words}{_nominal_words(values)}"
            for words, values in ((before, one.before), (after, one.after or {}))
        )
    before = before or str(one.of_kind or "an entry")
    why = f": {_reason(one)}; by entry {entry(one.entry)}"
    which = f"{before} (entry {entry(one.amends)})"
    if one.after is None:
        return f"withdrawn: {which}{why}"
    return f"amended: {which} to {after}{why}"


def stated_words(one: Amendment, values: Mapping[str, Any], unit: str | None) -> str:
    """Write what an entry states: an offset, a text, a unit, a nominal; empty for nothing.

    Args:
        one: the amendment, for the kind of the entry.
        values: the object of the entry.
        unit: the ident that it states.
    """
    if one.of_kind == "record":
        return _record_words(values)
    if one.of_kind in {"visit", "named"}:
        return f"unit {'none' if unit is None else printable(unit)}{_nominal_words(values)}"
    name, text = (printable(str(values.get(key) or ""), LONGEST_VALUE_CHARS)
                  for key in ("name", "text"))  # fmt: skip
    return f"{one.of_kind} {' '.join(filter(None, (name, text)))}".strip() if text else ""


def _nominal_words(values: Mapping[str, Any]) -> str:
    """Write the nominal that an entry states, or its record; empty without one."""
    record = values.get("record")
    stated = (record if isinstance(record, dict) else values).get("nominal_hz")
    nominal = decimal_of(stated if isinstance(stated, str) else str(stated))
    return "" if nominal is None else f", nominal {format_frequency(nominal)}"


def _record_words(values: Mapping[str, Any]) -> str:
    try:
        record = OffsetRecord.from_dict(values["record"])
    except (FileError, KeyError, TypeError, ValueError, OverflowError):
        return ""
    u = record.known_u
    text = write_fraction(record.offset, u, offset_unit(max(abs(record.offset), u or 0.0)))
    return f"{record.kind} {f'{text.bare}, u unknown' if u is None else text}"


def _reason(one: Amendment) -> str:
    reason = printable(one.text, LONGEST_REASON_CHARS) if isinstance(one.text, str) else ""
    return reason or "without a reason"
