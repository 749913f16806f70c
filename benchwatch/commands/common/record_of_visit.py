"""The budget of a record as it stands in the register, for ``budget --visit``."""

from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any, Final

import click

from benchwatch.central_record.record_address import is_record_address
from benchwatch.clock import iso_time
from benchwatch.commands.common.chosen_runs import record_typed, visit_on_register
from benchwatch.commands.common.option_types import read_coverage, refuse_together
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.recorded_source import typed_visit
from benchwatch.estimate.uncertainty.offset_record import OffsetRecord, line_dict
from benchwatch.quantity import listed, printable
from benchwatch.register.visit import VisitRecord
from benchwatch.report.record_document import record_text

FITTING: Final = frozenset(
    {"visit", "sim", "station", "read_journal", "kind", "coverage", "as_json"}
)
"""Options beside which a record is printed; any other asks for another computation."""


def record_first(command: Callable[..., Any]) -> Callable[..., Any]:
    """Print the record that ``--visit`` has in the register, and call `command` only without one.

    What is printed, and why it is not the record, is narrated.
    """

    @wraps(command)
    @click.pass_context
    def with_record(context: click.Context, /, *args: Any, **typed: Any) -> Any:
        visit = typed_visit(typed["visit"], sim=typed["sim"])
        if visit is not None:
            refuse_together(("--run", typed["run"] is not None), ("--visit", True))
            others = _other_options(context)
            files = () if typed["file"] is None else (typed["file"],)
            beside = record_typed(files, typed["read_journal"], typed["station"])
            on_register = visit_on_register(visit, beside)
            found = on_register.newest_record(typed["kind"])
            shown = printable(visit, 40)
            if found is None:
                narrate(f"visit {shown} has no record {typed['kind']}: computed from its readings.")
            elif others:
                narrate(
                    f"computed from the readings, because of {listed(others)}; without that, the "
                    f"record {typed['kind']} of visit {shown} is printed."
                )
            else:
                _print(found, shown, typed["coverage"], as_json=typed["as_json"])
                return None
        return command(*args, **typed)

    return with_record


def print_record_json(record: OffsetRecord, coverage: float, used: Mapping[str, object]) -> None:
    """Print one line for each contribution and one for the whole; `used` states the readings."""
    for line in record.budget.lines:
        print_json({"kind": "contribution", **line_dict(line)})
    expanded = record.expanded(coverage)
    print_json(
        {
            "kind": "budget", "record": record.kind, "counter": record.counter,
            "time": None if record.utc_s is None else iso_time(record.utc_s),
            "span_s": record.span_s, "readings": record.readings,
            "nominal_hz": record.nominal_hz, "offset": record.offset,
            "offset_hz": record.offset_hz, "u": record.known_u, "dof": record.budget.dof,
            "k": None if expanded is None else expanded.k, "coverage": coverage,
            "expanded": None if expanded is None else expanded.half_width,
            "missing": list(record.budget.missing),
            "conditions": dict(record.conditions), **used,
        }
    )  # fmt: skip


def _other_options(context: click.Context) -> list[str]:
    """Return the options and arguments that were typed and that a record does not fit."""
    return [
        "FILE" if isinstance(parameter, click.Argument) else parameter.opts[0]
        for parameter in context.command.params
        if parameter.name not in FITTING
        and _is_typed(context, parameter)
        and not is_record_address(str(context.params.get(str(parameter.name))))
    ]


def _is_typed(context: click.Context, parameter: click.Parameter) -> bool:
    """Return whether a value was typed for it."""
    source = context.get_parameter_source(str(parameter.name))
    return source is click.core.ParameterSource.COMMANDLINE


def _print(found: VisitRecord, visit: str, coverage: str, *, as_json: bool) -> None:
    """Print a record, and narrate that it is one."""
    share = read_coverage(coverage)
    made = ", recorded automatically" if found.automatic else ""
    amended = f", amended: {printable(found.amended, 200)}" if found.amended else ""
    narrate(f"{found.record.kind} as it is on record in visit {visit}{made}{amended}.")
    if as_json:
        on_record = {
            "visit": visit,
            "entry": found.entry,
            "automatic": found.automatic,
            "amended": found.amended,
        }
        print_record_json(found.record, share, {"on_record": on_record})
    else:
        print_text(record_text(found.record, share))
