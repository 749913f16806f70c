"""A bench file as text: as a sentence, as rows of a table, and as values for JSON."""

from typing import Final

from benchwatch.bench import Bench
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.plan import Plan
from benchwatch.quantity import (
    format_duration,
    format_frequency,
    offset_unit,
    printable,
    write_fraction,
)

PLAN_COLUMNS: Final = ("counter", "resource", "driver", "nominal", "tolerance", "settled", "set")


def reference_sentence(found: Bench) -> str:
    """Write what a bench file states of the reference, and of the counters' own time bases."""
    reference = found.reference
    clauses = ["no [reference] in the bench file: what the time base adds is not known"]
    if reference is not None:
        name = printable(reference.name)
        clauses = [_clause("reference" if name == "reference" else f"reference {name}", reference)]
    clauses += [
        _clause(f"{plan.name}'s own time base", plan.own_time_base)
        for plan in found.counters
        if plan.own_time_base is not None
    ]
    return "; ".join(clauses)


def proof_sentence(found: Bench) -> str:
    """Write which counters share a signal; empty where the file names none."""
    groups = "; ".join(", ".join(map(printable, group)) for group in found.proof)
    return f"on one signal, and compared while watched: {groups}" if groups else ""


def _clause(name: str, reference: Reference) -> str:
    """Write uncertainty, known offset, age and ageing of a reference."""
    text = f"{name}: "
    text += "uncertainty not stated" if reference.u is None else f"u = {_bare(reference.u)}"
    if reference.offset:
        text += f", known to be off by {write_fraction(reference.offset).bare}, which is put right"
    if reference.age_s is not None:
        text += f", calibrated {format_duration(reference.age_s)} ago"
    if reference.ageing_per_s and reference.age_s is not None:
        text += f", aged by {_bare(reference.ageing_per_s * reference.age_s)} at most since"
    elif reference.ageing_per_s is None:
        text += ", ageing not stated"
    return text


def plan_row(plan: Plan) -> list[str]:
    """Return the cells of one counter's row, for the header `PLAN_COLUMNS`."""
    setup, settle = plan.setup, plan.settle
    asked = [] if setup.gate_s is None else [f"gate {format_duration(setup.gate_s)}"]
    asked += [] if setup.channel is None else [f"channel {setup.channel}"]
    return [
        plan.name,
        plan.resource,
        plan.driver,
        "as read" if plan.nominal is None else format_frequency(plan.nominal),
        "-" if plan.tolerance is None else _bare(plan.tolerance),
        "-" if settle is None else f"{_bare(settle.limit)} in {format_duration(settle.horizon_s)}",
        ", ".join(asked) or "nothing",
    ]


def _bare(fraction: float) -> str:
    """Write a limit as short as possible: ``5 ppb``."""
    unit = offset_unit(fraction)
    return f"{fraction / unit.size:.3g} {unit.name}"


def plan_values(plan: Plan) -> dict[str, object]:
    """Return the plan of one counter as values for JSON."""
    names = ("name", "u", "offset", "age_s", "ageing_per_s")

    def stated(reference: Reference | None) -> dict[str, object] | None:
        return None if reference is None else {key: getattr(reference, key) for key in names}

    values: dict[str, object] = {
        "name": plan.name,
        "resource": plan.resource,
        "driver": plan.driver,
        "nominal_hz": None if plan.nominal is None else float(plan.nominal),
        "tolerance": plan.tolerance,
        "settle": None,
        "gate_s": plan.setup.gate_s,
        "channel": plan.setup.channel,
        "interval_s": plan.interval_s,
        "working_hz": list(plan.working_hz),
        "checks": list(plan.checks),
        "reference": stated(plan.reference),
        "own_time_base": stated(plan.own_time_base),
    }
    if plan.settle is not None:
        values["settle"] = {"limit": plan.settle.limit, "horizon_s": plan.settle.horizon_s}
    return values
