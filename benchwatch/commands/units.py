"""``benchwatch units``: lists units, shows one with its history, makes or changes one."""

import math
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from benchwatch.commands.common.completed_words import UNITS
from benchwatch.commands.common.fitted_table import print_fitted
from benchwatch.commands.common.journal_places import JournalPlace
from benchwatch.commands.common.option_types import (
    DURATION,
    FREQUENCY,
    IDENT,
    SETTLE,
    TOLERANCE,
    of_option,
)
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.register_options import (
    chosen_register,
    known_unit,
    opening_words,
    page_style,
    refuse_options_before,
    register_options,
    simulated_hint,
    written_register,
    written_register_options,
)
from benchwatch.commands.common.visit_values import (
    interval_values,
    standing_values,
    summary_values,
    unit_values,
)
from benchwatch.errors import UsageError
from benchwatch.quantity import format_frequency, parse_settle, parse_tolerance, printable
from benchwatch.register import RegisterFile, Unit, read_register
from benchwatch.register.visit_summary import summary_of
from benchwatch.report.blocks import plain_text
from benchwatch.report.due_words import due_words
from benchwatch.report.offset_amounts import amount
from benchwatch.report.side_words import side_column
from benchwatch.report.unit_standing import UnitStanding, unit_standing
from benchwatch.report.visit_document import unit_document
from benchwatch.report.visit_style import NAMELESS

ANY_TIME = "any"
"""Value of ``--due`` without a duration."""
LONGEST_TEXT_CHARS = 500
"""Characters of a description, a place or an owner."""


@click.group(invoke_without_command=True)
@click.option(
    "--due",
    metavar="[DURATION]",
    is_flag=False,
    flag_value=ANY_TIME,
    help="Those due next, soonest first: all, or within a time such as 1y.",
)
@register_options
@click.pass_context
def units(
    context: click.Context,
    *,
    due: str | None,
    journal: JournalPlace | None,
    sim: bool,
    as_json: bool,
) -> None:
    """List the units with their newest record and when each is due.

    With --due they come in the order of their due date, or where that can't be told of the
    earliest one. Those that are outside or overdue, or may leave their tolerance within the time
    that is typed, are listed; units that can't be told about at all are left out.
    """
    if context.invoked_subcommand is not None:
        refuse_options_before(context)
        return
    path, now = chosen_register(journal, sim=sim), time.time()
    with read_register(path) as register:
        found = [unit_standing(unit, register.visits_of(unit.ident)) for unit in register.units()]
        any_units = bool(found)
        if due is not None:
            found = _due(found, now, _within_s(due))
        style = page_style(register)
    if as_json:
        for one in found:
            print_json(standing_values(one, now))
    elif found:
        rows = [_row(one, style.day(one.newest.utc_s) if one.newest else "", now) for one in found]
        header = ("unit", "nominal", "visits", "newest", "offset", "side", "due")
        print_fitted(header, rows, below=True)
    if any(one.newest is not None and one.newest.caution for one in found):
        narrate("! stands at records that say why they may be wrong: units show IDENT.")
    if not any_units:
        hint = simulated_hint(path)
        how = opening_words(path, "watch --unit IDENT or units set IDENT.")
        narrate(f"there are no units in {path} yet: {how}{hint}")
    elif not found:
        narrate("none is due in that time, as far as can be told.")


@units.command()
@click.argument("ident", type=IDENT, shell_complete=UNITS)
@register_options
def show(*, ident: str, journal: JournalPlace | None, sim: bool, as_json: bool) -> None:
    """Show all of one unit: its visits, its ageing, when it is due."""
    with read_register(chosen_register(journal, sim=sim)) as register:
        standing = unit_standing(known_unit(register, ident), register.visits_of(ident))
        style = page_style(register)
    if not as_json:
        print_text(plain_text(unit_document(standing, style)).rstrip())
        return
    print_json(standing_values(standing, style.now_utc_s))
    for visit in standing.visits:
        print_json(summary_values(summary_of(visit)))
    for interval in standing.history.intervals:
        print_json(interval_values(interval))


@units.command(name="set")
@click.argument("ident", type=IDENT, shell_complete=UNITS)
@click.option("--nominal", type=FREQUENCY, help="What its frequency should be, such as 10MHz.")
@click.option("--tolerance", type=TOLERANCE, help="Limit of its offset, such as 5ppb.")
@click.option("--settle", type=SETTLE, help="What settled means, such as 1ppb/10min.")
@click.option("--description", help="What it is, in words.")
@click.option("--place", help="Where it is used.")
@click.option("--owner", help="Whose it is.")
@click.option(
    "--at",
    "at",
    type=FREQUENCY,
    multiple=True,
    help="A frequency at which it is used; give it as often. Together they take the place of "
    "those before.",
)
@click.option(
    "--check",
    "check",
    type=FREQUENCY,
    multiple=True,
    help="Another dial setting at which its output is checked; give it as often. Together they "
    "take the place of those before.",
)
@written_register_options
def set_unit(
    *,
    ident: str,
    journal: Path | None,
    sim: bool,
    as_json: bool,
    **typed: Any,
) -> None:
    """Make the unit IDENT, or change what is typed of it; the rest stays.

    The register keeps what it stated before.
    """
    path = written_register(journal, sim=sim)
    with read_register(path) as register:
        before = register.unit(ident)
        like = None if before is not None else register.like(ident)
    unit = _changed(before or Unit(ident=ident), typed)
    if unit == before:
        narrate(f"{ident} is so already; nothing is written.")
    else:
        RegisterFile(path).add([unit.draft()])
        also = "" if like is None else f" There is {like} too; is it the same one?"
        narrate(f"{ident} is {'made' if before is None else 'changed'}.{also}")
    if as_json:
        print_json({"kind": "unit", **unit_values(unit)})


def _changed(unit: Unit, typed: dict[str, Any]) -> Unit:
    """Return `unit` with what was typed.

    Raises:
        UsageError: a limit in hertz is typed and the nominal is not known, or a text is too long.
    """
    changes: dict[str, Any] = {}
    for name in ("description", "place", "owner"):
        if typed[name] is not None:
            text = " ".join(typed[name].split())
            if len(text) > LONGEST_TEXT_CHARS:
                raise UsageError(
                    f"--{name} has {len(text)} characters: {LONGEST_TEXT_CHARS} at most."
                )
            changes[name] = printable(text, LONGEST_TEXT_CHARS)
    if typed["nominal"] is not None:
        changes["nominal_hz"] = typed["nominal"]
    if typed["at"]:
        changes["working_hz"] = tuple(dict.fromkeys(map(float, typed["at"])))
    if typed["check"]:
        changes["checks"] = tuple(dict.fromkeys(map(float, typed["check"])))
    nominal = typed["nominal"] or unit.nominal_hz
    if typed["tolerance"] is not None:
        with of_option("--tolerance"):
            changes["tolerance"] = parse_tolerance(typed["tolerance"], nominal)
    if typed["settle"] is not None:
        with of_option("--settle"):
            changes["settle"], changes["settle_horizon_s"] = parse_settle(typed["settle"], nominal)
    return replace(unit, **changes)


def _within_s(text: str) -> float | None:
    """Return the duration typed with ``--due`` in seconds; None: any time."""
    if text == ANY_TIME:
        return None
    return float(DURATION.convert(text, None, None))  # type: ignore[arg-type] # a float by now


def _due(found: list[UnitStanding], now_utc_s: float, within_s: float | None) -> list[UnitStanding]:
    """Return the units that may be due within a time from now, soonest first."""
    by_utc_s = math.inf if within_s is None else now_utc_s + within_s
    chosen = [
        (one.due.order_utc_s, one)
        for one in found
        if one.due.order_utc_s is not None and one.due.may_be_due_by(by_utc_s)
    ]
    chosen.sort(key=lambda pair: (pair[1].due.state != "outside", pair[0]))
    return [one for _, one in chosen]


def _row(one: UnitStanding, day: str, now_utc_s: float) -> list[str]:
    unit, newest = one.unit, one.newest
    return [
        unit.ident,
        NAMELESS if unit.nominal_hz is None else format_frequency(unit.nominal_hz),
        str(len(one.visits)),
        day or NAMELESS,
        NAMELESS
        if newest is None
        else amount(newest.offset, newest.u) + " !" * bool(newest.caution),
        side_column(one.side, u_known=newest is not None and newest.u is not None) or NAMELESS,
        due_words(one.due, now_utc_s),
    ]
