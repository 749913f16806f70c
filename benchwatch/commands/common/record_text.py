"""A record of an offset and its budget, as a table for people and as lines for programs."""

from collections.abc import Mapping

from benchwatch.commands.common.output import in_unit, put_json, table
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord, line_dict
from benchwatch.estimate.uncertainty.uncertainty_budget import Budget, Expanded
from benchwatch.lines import iso_time
from benchwatch.quantity import (
    OffsetUnit,
    format_duration,
    how_many,
    offset_unit,
    printable,
    write_fraction,
    write_hz,
)

MOST_DOF = 300
"""Above, k is within half a percent of that of infinitely many; GUM table G.2 too goes from 100 to
infinity."""


def record_text(record: OffsetRecord, coverage: float) -> str:
    """Write a record and its budget for people, all of it in one unit."""
    unit = offset_unit(max(abs(record.offset), record.u) or 1e-12)
    head = [record.kind, printable(record.counter)]
    when = None if record.utc_s is None else iso_time(record.utc_s)
    head += [f"around {when}"] if when else []
    head.append(f"{how_many(record.readings, 'reading')} over {format_duration(record.span_s)}")
    lines = ["   ".join(head), _offset_line(record, unit)]
    lines += [f"{printable(name)}: {printable(value)}" for name, value in record.conditions]
    lines.append("")
    rows = [
        [
            line.name,
            in_unit(line.contribution, unit),
            line.distribution,
            f"{line.dof:.3g}" if line.dof <= MOST_DOF else "-",
            f"{line.sensitivity:.6g}",
            line.source,
        ]
        for line in record.budget.lines
    ]
    names = ("contribution", f"u in {unit.name}", "distribution", "dof", "sensitivity", "source")
    lines += [table(names, rows), "", _total(record.budget, coverage, unit)]
    lines += [f"Not counted: {printable(missing)}." for missing in record.budget.missing]
    if record.budget.missing:
        lines.append("While anything is not counted, this uncertainty is a lower limit.")
    return "\n".join(lines)


def _offset_line(record: OffsetRecord, unit: OffsetUnit) -> str:
    fraction = write_fraction(record.offset, record.u, unit)
    if record.offset_hz is None or record.nominal_hz is None:
        return f"offset {fraction} (k = 1)"
    return f"offset {fraction}, {write_hz(record.offset_hz, record.u * record.nominal_hz)} (k = 1)"


def _total(budget_: Budget, coverage: float, unit: OffsetUnit) -> str:
    combined = f"combined u = {in_unit(budget_.u, unit)} {unit.name}"
    expanded = budget_.expanded(coverage)
    if expanded is None:
        return f"{combined}; too few degrees of freedom to state an interval."
    share = f"{coverage * 100:g} %"
    return (
        f"{combined}, {_dof_text(expanded)}, k = {expanded.k:.2f}: "
        f"U = {in_unit(expanded.half_width, unit)} {unit.name} with {share} coverage"
    )


def _dof_text(expanded: Expanded) -> str:
    few = expanded.dof <= MOST_DOF
    return f"{expanded.dof:.0f} degrees of freedom" if few else "unlimited degrees of freedom"


def put_record_json(record: OffsetRecord, coverage: float, stretch: Mapping[str, object]) -> None:
    """Print a line a contribution and one for the whole; `stretch` says of which readings."""
    for line in record.budget.lines:
        put_json({"kind": "contribution", **line_dict(line)})
    expanded = record.budget.expanded(coverage)
    put_json(
        {
            "kind": "budget", "record": record.kind, "counter": record.counter,
            "time": None if record.utc_s is None else iso_time(record.utc_s),
            "span_s": record.span_s, "readings": record.readings,
            "nominal_hz": record.nominal_hz, "offset": record.offset,
            "offset_hz": record.offset_hz, "u": record.u, "dof": record.budget.dof,
            "k": None if expanded is None else expanded.k, "coverage": coverage,
            "expanded": None if expanded is None else expanded.half_width,
            "missing": list(record.budget.missing),
            "conditions": dict(record.conditions), **stretch,
        }
    )  # fmt: skip
