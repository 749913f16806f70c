"""``benchwatch bench``: writes and checks a bench file."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import click

from benchwatch.bench import BACKENDS, Bench, load_bench, read_bench
from benchwatch.bench.bench_file_draft import DraftCounter, draft
from benchwatch.bus import DEFAULT_BACKEND, Buses
from benchwatch.bus.file_wire import file_of
from benchwatch.bus.plain_address import understood_resource
from benchwatch.bus.resource_string import parse_address
from benchwatch.commands.benches_elsewhere.elsewhere_counters import check_described
from benchwatch.commands.benches_elsewhere.relay_options import TypedRelay
from benchwatch.commands.common.bench_text import (
    PLAN_COLUMNS,
    plan_row,
    plan_values,
    proof_sentence,
    reference_sentence,
)
from benchwatch.commands.common.discovery_options import (
    backend_option,
    finder,
    places,
    timeout_option,
)
from benchwatch.commands.common.option_types import of_option
from benchwatch.commands.common.output import (
    narrate,
    print_json,
    print_text,
    refuse_existing,
    write_file,
)
from benchwatch.commands.common.watched_counters import check_drivers, name_resources
from benchwatch.config_tables.declarations import NAME
from benchwatch.conformance import Examination
from benchwatch.counter import DEFAULT_DRIVER
from benchwatch.discovery import FoundResource
from benchwatch.driver_registry import driver
from benchwatch.errors import BenchwatchError, UsageError
from benchwatch.plan import Plan
from benchwatch.quantity import (
    format_duration,
    format_frequency,
    printable,
    round_nominal,
)
from benchwatch.reading import DEFAULT_COUNTER
from benchwatch.relay.desk.desks import is_elsewhere
from benchwatch.report.blocks import align_table

STDOUT: Final = Path("-")


@click.group()
def bench() -> None:
    """Write or check a bench file, for: benchwatch watch --bench FILE."""


@bench.command()
@click.argument("file", type=click.Path(path_type=Path), default="bench.toml")
@click.option(
    "--counter",
    "counters",
    metavar="[NAME=]RESOURCE",
    multiple=True,
    help="A counter to put in; it is asked for a reading, which tells the nominal.",
)
@backend_option
@timeout_option("Whatever has not answered by then is left out.")
@click.option("--local", is_flag=True, help="Send nothing on any network but to --counter.")
@click.option("--force", is_flag=True, help="Write over a file that exists.")
def init(
    *,
    file: Path,
    counters: tuple[str, ...],
    backend: str,
    timeout_s: float,
    local: bool,
    force: bool,
) -> int:
    """Write a bench file from what is found, each key explained.

    FILE is bench.toml unless given; - is standard output. What can't be asked safely, such
    as a serial port, goes in as a comment.
    """  # fmt: skip
    if file != STDOUT:
        refuse_existing(file, force=force)
    named = name_resources(counters)
    with of_option("--counter"):
        _check_typed(named, backend)
    search = finder(backend, places(backend, local=local), timeout_s=timeout_s)
    narrate(f"looking around, {format_duration(timeout_s)} at most")
    found = [item for item in search.find(list(named.values())) if isinstance(item, FoundResource)]
    names = {resource: name for name, resource in named.items()}
    entries = usable_entries(_entries(found, names, backend), backend)
    is_kept = backend in BACKENDS and backend != DEFAULT_BACKEND
    named_backend = backend if is_kept else None
    text = draft(entries, file.name if file != STDOUT else "FILE", backend=named_backend)
    if file == STDOUT:
        print_text(text.rstrip())
    else:
        write_file(file, text)
    sure = sum(entry.sure for entry in entries)
    if backend not in BACKENDS:
        narrate(f"add --backend {printable(backend, 200)} to what reads this file: it is not in it")
    narrate(
        f"{sure} counter{'' if sure == 1 else 's'} in it, {len(entries) - sure} more to look at. "
        "Nothing is set on any of them unless you take the # from gate or channel."
    )
    return 0


@bench.command()
@click.argument("file", type=click.Path(path_type=Path), default="bench.toml")
@click.option("--json", "as_json", is_flag=True, help="A line a counter, for programs.")
def check(*, file: Path, as_json: bool) -> int:
    """Say whether a bench file can be used, and what it asks for. Nothing is opened."""
    found = load_bench(file)
    plans = found.plans() if found.counters else ()
    _check_plans(plans, found)
    if as_json:
        for plan in plans:
            groups = [list(group) for group in found.proof if plan.name in group]
            print_json({"kind": "counter", **plan_values(plan), "proof": groups})
    else:
        print_text(align_table(PLAN_COLUMNS, [plan_row(plan) for plan in plans]))
    narrate(reference_sentence(found))
    if found.proof:
        narrate(proof_sentence(found))
    try:
        TypedRelay().options(found, keeps=True)
    except BenchwatchError as error:  # the certificate may be on the station only
        narrate(f"caution: a watch on this computer would not send: {error}")
    none_yet = "" if plans else "; no counter is in it yet: take the # from one of its tables"
    narrate(f"{file} is fine{none_yet}")
    return 0


# ------------------------------------------------------------- from found resources to a draft


def _entries(
    found: Sequence[FoundResource], names: dict[str, str], backend: str
) -> list[DraftCounter]:
    """Return the counters of the draft, each with a free name; `names`: typed names by resource."""
    entries = []
    taken = set(names.values())
    typed = list(names)

    def place(item: FoundResource) -> tuple[int, bool]:
        """Return the sort key: typed resources in their order, then those with an identity."""
        at = typed.index(item.resource) if item.resource in names else len(typed)
        return at, item.identity is None

    for item in sorted(found, key=place):
        name = names.get(item.resource) or _free_name(taken)
        taken.add(name)
        notes = [text for text in (item.about, item.identity, item.note) if text]
        nominal = None
        if item.resource in names and item.identity is not None:
            nominal, note = _take_reading(item, backend)
            notes.append(note)
        sure = item.identity is not None or item.resource in names
        entries.append(
            DraftCounter(
                name=name,
                resource=item.resource,
                driver=item.driver or DEFAULT_DRIVER,
                nominal=nominal,
                notes=tuple(notes),
                sure=sure,
            )
        )
    return entries


def _free_name(taken: set[str]) -> str:
    if DEFAULT_COUNTER not in taken:
        return DEFAULT_COUNTER
    return next(f"counter{n}" for n in range(2, 10_000) if f"counter{n}" not in taken)


def _take_reading(item: FoundResource, backend: str) -> tuple[str | None, str]:
    """Take one reading; return the nominal that it is near, if any, and a note on the counter."""
    try:
        link = Buses().open_link(item.resource, backend=backend)
        try:
            examination = Examination(link, driver(item.driver or DEFAULT_DRIVER), readings=1)
            for _ in examination:
                pass
            findings = examination.findings
        finally:
            link.close()
    except BenchwatchError as error:
        return None, f"it could not be read: {error}"
    note = f"time base {findings.time_base.source}"
    if findings.gate_s is not None:
        note = f"gate {format_duration(findings.gate_s)}, {note}"
    if not findings.values:
        return None, f"{note}; it gave no reading"
    nominal = round_nominal(findings.values[-1])
    note = f"{note}; it read {findings.values[-1]:f} Hz"
    return None if nominal is None else format_frequency(nominal), note


def usable_entries(entries: Sequence[DraftCounter], backend: str) -> list[DraftCounter]:
    """Return the counters of a draft; one that a bench file can't hold becomes a comment.

    So `bench check` accepts every draft, whatever an instrument or a library says of itself.
    """
    where = "bench.toml"
    kept: list[DraftCounter] = []
    resources: set[str] = set()
    for entry in entries:
        trouble = ""
        if entry.sure:
            try:
                text = draft([entry], where, backend=backend if backend in BACKENDS else None)
                read = read_bench(text, where, utc_s=0.0)
                _check_plans(read.plans(), read)
            except BenchwatchError as error:
                trouble = str(error)
            else:
                resource = read.counters[0].resource
                trouble = "it is the same as a counter above" if resource in resources else ""
                resources.add(resource)
        if trouble:
            note = f"it can't stand in a bench file like this: {trouble}"
            entry = replace(entry, sure=False, notes=(*entry.notes, note))  # noqa: PLW2901 - the checked form
        kept.append(entry)
    return kept


def _check_typed(named: Mapping[str, str], backend: str) -> None:
    """Check the names and addresses of typed counters, before anything is asked.

    Raises:
        UsageError: a name or an address can't stand in a bench file.
    """
    for name, resource in named.items():
        if not re.fullmatch(NAME, name, re.ASCII):
            raise UsageError(
                f"'{printable(name, 60)}' can't be a name in a bench file: letters, digits, - and "
                "_, 32 at most."
            )
        if backend == DEFAULT_BACKEND and file_of(resource) is None:
            parse_address(understood_resource(resource))


def _check_plans(plans: Sequence[Plan], found: Bench) -> None:
    """Check the drivers and the addresses of a bench file's counters, without opening any."""
    check_drivers(plans, found.where)
    for plan in plans:
        if found.backend in {None, DEFAULT_BACKEND} and file_of(plan.resource) is None:
            _check_address(plan, found)


def _check_address(plan: Plan, found: Bench) -> None:
    """Check the form of a counter's resource; an error names its key in the file."""
    if is_elsewhere(plan.resource):
        check_described(plan, found.where)
        return
    try:
        parse_address(understood_resource(plan.resource))
    except UsageError as error:
        raise UsageError(f"{found.where}: counters.{plan.name}.resource: {error}") from error
