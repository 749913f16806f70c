"""``benchwatch visits``: lists visits, shows, closes and amends one, imports, verifies."""

import re
import time
from dataclasses import replace
from pathlib import Path

import click

from benchwatch.central_record.register_entries import CentralRegister, RegisterPlace, runs_of
from benchwatch.clock import local_minute
from benchwatch.commands.common.completed_words import FILES, UNITS, VISITS
from benchwatch.commands.common.fitted_table import print_fitted
from benchwatch.commands.common.journal_places import JournalPlace
from benchwatch.commands.common.option_types import IDENT
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.register_options import (
    chosen_register,
    chosen_visit,
    known_unit,
    opening_words,
    page_style,
    refuse_options_before,
    register_options,
    simulated_hint,
    written_register,
    written_register_options,
)
from benchwatch.commands.common.register_upkeep import merge, repair
from benchwatch.commands.common.visit_amendment import amend
from benchwatch.commands.common.visit_lookup import local_moment, run_numbers_of
from benchwatch.errors import UsageError
from benchwatch.quantity import OffsetUnit, offset_unit, printable, write_fraction
from benchwatch.register import RegisterFile, read_register, register_source
from benchwatch.register.chain_check import ChainState, check_chains, has_head
from benchwatch.register.register_entry import short_name
from benchwatch.register.visit import TYPED_TABLE
from benchwatch.register.visit_closing import close_visit
from benchwatch.register.visit_import import (
    import_visits,
    imported_words,
)
from benchwatch.register.visit_summary import OffsetInBrief, VisitSummary
from benchwatch.report.blocks import plain_text
from benchwatch.report.visit_style import NAMELESS

HASH = re.compile(r"[0-9a-f]{64}")
HEAD_THERE = "there, nothing before it was cut off"
HEAD_MISSING = "NOT there: entries were cut off, or it is of another register"
USUAL_VISITS = 50
"""Visits that are listed where nothing else is typed."""
NOT_SOUND = 1
"""Exit code of ``verify`` where the register is not as it was written."""


@click.group(invoke_without_command=True)
@click.option("--unit", type=IDENT, shell_complete=UNITS, help="Only those of this unit.")
@click.option("--text", default="", help="Only those with this text in a note, ident or condition.")
@click.option("--since", metavar="DATE", help="Only those opened on this day or later, local time.")
@click.option("--until", metavar="DATE", help="Only those opened on this day or before it.")
@click.option("--open", "open_only", is_flag=True, help="Only those that are open.")
@click.option(
    "--last",
    type=click.IntRange(min=1),
    help=f"Only so many, the newest; {USUAL_VISITS} where nothing else is typed.",
)
@click.option("--all", "all_visits", is_flag=True, help="All, however many.")
@register_options
@click.pass_context
def visits(
    context: click.Context,
    *,
    unit: str | None,
    text: str,
    since: str | None,
    until: str | None,
    open_only: bool,
    last: int | None,
    all_visits: bool,
    journal: JournalPlace | None,
    sim: bool,
    as_json: bool,
) -> None:
    """List the visits of units, the newest last."""
    if context.invoked_subcommand is not None:
        refuse_options_before(context)
        return
    path = chosen_register(journal, sim=sim)
    chosen = unit or text or since or until or open_only or all_visits
    last = last if last is not None or chosen else USUAL_VISITS
    limits: dict[str, float] = {}
    if since is not None:
        limits["since_utc_s"] = local_moment(since, "--since")
    if until is not None:
        limits["until_utc_s"] = local_moment(until, "--until", end=True)
    with read_register(path) as register:
        if unit is not None:
            known_unit(register, unit)
        found = register.summaries(unit=unit, text=text, open_only=open_only, limit=last, **limits)
        own, any_visits = register.own_chain, bool(found or register.visit_names())
    found.reverse()
    if as_json:
        from benchwatch.commands.common.visit_values import (  # noqa: PLC0415 - slow
            summary_values,
        )

        for one in found:
            print_json(summary_values(one))
    elif found:
        header = ("visit", "unit", "opened", "state", "as found", "as left", "counter")
        shown_in = _unit_of_list(found)
        print_fitted(header, [_row(one, own, shown_in) for one in found])
    _narrate_list(found, path, any_visits=any_visits, cut_at=None if chosen else last)


@visits.command()
@click.argument("number", shell_complete=VISITS)
@register_options
def show(*, number: str, journal: JournalPlace | None, sim: bool, as_json: bool) -> None:
    """Show all of visit NUMBER: records, conditions, notes, runs."""
    from benchwatch.commands.common.visit_values import (  # noqa: PLC0415 - numpy is slow to load
        interval_values,
        standing_values,
        visit_values,
    )
    from benchwatch.report.unit_standing import unit_standing  # noqa: PLC0415 - likewise
    from benchwatch.report.visit_document import visit_document  # noqa: PLC0415 - likewise

    path, number = chosen_visit(number, journal, sim=sim)
    with read_register(path) as register:
        visit = register.typed_visit(number)
        unit = None if visit.unit is None else register.unit(visit.unit)
        standing = None if unit is None else unit_standing(unit, register.visits_of(unit.ident))
        style = page_style(register)
    numbers = run_numbers_of(visit, runs_of(path))
    if not as_json:
        print_text(plain_text(visit_document(visit, standing, style, numbers)).rstrip())
        return
    print_json(visit_values(visit, numbers))
    if standing is not None:
        print_json(standing_values(standing, style.now_utc_s))
        for interval in standing.history.intervals:
            print_json(interval_values(interval))


@visits.command()
@click.argument("number", shell_complete=VISITS)
@written_register_options
def close(*, number: str, journal: Path | None, sim: bool, as_json: bool) -> None:
    """Close visit NUMBER. What it holds stays, and it is not opened again."""
    path = written_register(journal, sim=sim)
    with read_register(path) as register:
        visit = register.typed_visit(number)
        called = short_name(visit.name, register.own_chain)
    entry = close_visit(RegisterFile(path), visit.name, visit.unit)
    if as_json:
        print_json({"kind": "closed", "visit": visit.name, "number": visit.number,
                    "unit": visit.unit, "time": entry.at, "entry": entry.name})  # fmt: skip
    left = "" if visit.as_left is not None else "; it has no record as left"
    of = "a unit without a name" if visit.unit is None else printable(visit.unit)
    narrate(f"visit {printable(called)} of {of} is closed{left}.")


@visits.command(name="import")
@click.argument("file", shell_complete=FILES)
@click.option("--new", "new_units", is_flag=True, help="Make the units that are not known.")
@written_register_options
def import_table(
    *, file: str, new_units: bool, journal: Path | None, sim: bool, as_json: bool
) -> None:
    """Import earlier visits from FILE, a table (CSV) with a row a visit.

    Its first row names the columns: unit,date,as_found,u,as_left,u,nominal,note. Only unit, date
    and one of as_found and as_left are needed. Of a file with an error nothing is imported, and
    what is there already is not added again.
    """
    from benchwatch.recording.typed_visits import (  # noqa: PLC0415 - numpy is slow to load
        read_typed_visits,
    )

    path = written_register(journal, sim=sim)
    with read_register(path) as register:
        nominals = {unit.ident: unit.nominal_hz for unit in register.units()}
    rows = read_typed_visits(file, nominals.get, time.time())
    done = import_visits(RegisterFile(path), rows, new_units=new_units)
    if as_json:
        print_json({"kind": "imported", "added": done.added, "there_already": done.there_already,
                    "new_units": list(done.new_units)})  # fmt: skip
    narrate(imported_words(done))


@visits.command()
@click.option(
    "--head", "heads", multiple=True, help="A head that was printed earlier: is it still there?"
)
@register_options
def verify(
    *, heads: tuple[str, ...], journal: JournalPlace | None, sim: bool, as_json: bool
) -> int:
    """Check that no entry of the register was changed.

    The head of each chain is printed. The chain shows a change, not that its end was cut off:
    compare its head with one that was printed earlier, with --head. The exit code is 1 where
    something is wrong.
    """
    typed = [head.strip().lower() for head in heads]
    for head in typed:
        if not HASH.fullmatch(head):
            raise UsageError(f"--head {printable(head, 70)}: a head has 64 digits from 0 to f.")
    path, differences = chosen_register(journal, sim=sim), list[str]()
    if isinstance(path, CentralRegister):
        path = replace(path, say=differences.append)
    with register_source(path).reading() as connection:
        there_is_one = connection is not None
        chains = [] if connection is None else check_chains(connection)
        there = {head: connection is not None and has_head(connection, head) for head in typed}
    if not there_is_one:
        more = "" if sim else "; --sim takes that of simulated benches"
        narrate(f"there is no register at {path} yet{more}.")
    for sentence in differences:
        narrate(sentence)
    for chain in chains:
        _print_chain(chain, as_json=as_json)
    for head, is_there in there.items():
        if as_json:
            print_json({"kind": "head", "head": head, "there": is_there})
        else:
            print_text(f"head {head}: {HEAD_THERE if is_there else HEAD_MISSING}")
    sound = all(there.values()) and not differences and not any(chain.faults for chain in chains)
    return 0 if sound else NOT_SOUND


def _print_chain(chain: ChainState, *, as_json: bool) -> None:
    """Print what a check found of one chain."""
    if as_json:
        print_json({"kind": "chain", "chain": chain.chain, "entries": chain.entries,
                    "head": chain.head, "faults": list(chain.faults)})  # fmt: skip
        return
    state = "NOT as written" if chain.faults else "as written"
    print_text(
        f"chain {printable(chain.chain)}: {chain.entries} entries, {state}, head {chain.head}"
    )
    for fault in chain.faults:
        print_text(f"  {printable(fault, 500)}")


visits.add_command(amend)
visits.add_command(merge)
visits.add_command(repair)


def _unit_of_list(found: list[VisitSummary]) -> OffsetUnit:
    """Return the unit of all offsets of a list: that of the middle one by size."""
    records = [one for visit in found for one in (visit.as_found, visit.as_left) if one is not None]
    sizes = sorted(abs(one.offset) for one in records) or [0.0]
    return offset_unit(sizes[len(sizes) // 2])


def _row(visit: VisitSummary, own_chain: str | None, unit: OffsetUnit) -> list[str]:
    return [
        short_name(visit.name, own_chain),
        visit.unit or NAMELESS,
        local_minute(visit.opened_utc_s)[:10] or NAMELESS,
        "open" if visit.closed_utc_s is None else "closed",
        _amount(visit.as_found, unit),
        _amount(visit.as_left, unit),
        "typed" if visit.source == TYPED_TABLE else visit.counter,
    ]


def _narrate_list(
    found: list[VisitSummary], path: RegisterPlace, *, any_visits: bool, cut_at: int | None
) -> None:
    """Say what a list leaves open; `cut_at` is how many it shows where nothing was asked for."""
    if any(map(_has_caution, found)):
        narrate("! stands at records that say why they may be wrong: visits show NUMBER.")
    if not any_visits:
        hint = simulated_hint(path)
        how = opening_words(path, "watch --unit IDENT opens one.")
        narrate(f"there are no visits in {path} yet: {how}{hint}")
    elif not found:
        narrate(f"no visit in {path} is so.")
    elif len(found) == cut_at:
        narrate(f"these are the newest {cut_at}; --all lists all.")


def _has_caution(visit: VisitSummary) -> bool:
    records = (visit.as_found, visit.as_left)
    return any(one is not None and one.has_caution for one in records)


def _amount(one: OffsetInBrief | None, unit: OffsetUnit) -> str:
    if one is None:
        return NAMELESS
    text = write_fraction(one.offset, one.u or None, unit)
    mark = " !" if one.has_caution else ""
    return f"{text if one.u else text.bare}{mark}"
