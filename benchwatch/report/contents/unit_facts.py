"""The unit, who brought it, and when it was on the bench."""

from collections.abc import Iterator
from typing import Any, Final

from benchwatch.quantity import format_duration, format_frequency
from benchwatch.register.registered_unit import hertz_text
from benchwatch.report.contents.report_blocks import Facts, ReportPart
from benchwatch.report.contents.report_source import NOT_STATED, ReportSource

CUSTOMER_CONDITIONS: Final = ("order", "received", "state")
"""Names of conditions that are stated with the unit: the customer's order, when it came in, and in
which state it came."""
NO_IDENT: Final = "without a name"


def unit_blocks(source: ReportSource) -> Iterator[ReportPart]:
    """Yield the unit with its owner, and the dates of its visit."""
    values = unit_values(source)
    customer = customer_values(source)
    about = f", {values['description']}" if values["description"] else ""
    rows = [
        ("unit", f"{values['ident']}{about}"),
        ("customer", customer["name"]),
        ("nominal", values["nominal"]),
    ]
    rows += [(name, values[name]) for name in ("used at", "place") if values[name]]
    rows += [("order", customer["order"])] * bool(customer["order"])
    rows += [
        ("received", customer["received"] or NOT_STATED),
        ("state as it came", customer["state"] or NOT_STATED),
        ("on the bench", bench_words(source)),
    ]
    yield Facts(tuple(rows))


def unit_values(source: ReportSource) -> dict[str, Any]:
    """Return what is known of the unit, as texts; empty where it is not stated."""
    unit, nominal_hz = source.unit, source.nominal_hz
    working = () if unit is None else unit.working_hz
    return {
        "ident": source.visit.unit or NO_IDENT,
        "description": "" if unit is None else unit.description,
        "nominal": NOT_STATED if nominal_hz is None else format_frequency(nominal_hz),
        "nominal_hz": hertz_text(nominal_hz),
        "place": "" if unit is None else unit.place,
        "used at": ", ".join(map(format_frequency, working)),
    }


def customer_values(source: ReportSource) -> dict[str, Any]:
    """Return who brought the unit, and what was stated with it; empty where it is not stated."""
    owner = "" if source.unit is None else source.unit.owner
    conditions = (one for one in source.visit.remarks if one.kind == "condition")
    stated = {one.name.lower(): one.text for one in conditions}
    return {
        "name": owner or NOT_STATED,
        **{name: stated.get(name, "") for name in CUSTOMER_CONDITIONS},
    }


def bench_words(source: ReportSource) -> str:
    """Write from when to when the visit lasted."""
    visit, moment = source.visit, source.style.moment
    began = moment(visit.opened_utc_s)
    if visit.closed_utc_s is None:
        return f"from {began}; the visit is still open"
    lasted_s = visit.closed_utc_s - visit.opened_utc_s
    lasted = f" ({format_duration(lasted_s)})" if lasted_s > 0 else ""
    return f"from {began} to {moment(visit.closed_utc_s)}{lasted}"
