"""The options that choose a register, and what commands on units and visits share."""

import time
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, Final

import click

from benchwatch.central_record.register_entries import CentralRegister, RegisterPlace
from benchwatch.central_record.run_place import RunPlace
from benchwatch.clock import local_minute
from benchwatch.commands.common.journal_places import (
    JOURNAL_TO_READ,
    JOURNAL_TO_WRITE,
    JournalPlace,
    at_station,
    one_station,
    station_option,
)
from benchwatch.commands.common.output import narrate
from benchwatch.errors import UsageError
from benchwatch.journal import default_path
from benchwatch.register import RegisterReader, Unit, register_path
from benchwatch.report.visit_style import VisitStyle

SIMULATED_PREFIX: Final = "sim/"
"""In front of the number of a visit of a simulated bench."""

_journal_beside_option: Final = click.option(
    "--journal",
    type=JOURNAL_TO_READ,
    help="The journal beside which the register is, or the address of a central record; the "
    "journal that watch uses if left out.",
)
_written_beside_option: Final = click.option(
    "--journal",
    type=JOURNAL_TO_WRITE,
    help="The journal beside which the register is; the one that watch uses if left out.",
)
sim_register_option: Final = click.option(
    "--sim", is_flag=True, help="Those of simulated benches, which are kept apart."
)
json_option: Final = click.option("--json", "as_json", is_flag=True, help="JSON, for programs.")


def journal_beside_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--journal`` and ``--station``; the command gets the place as `journal`."""

    @_journal_beside_option
    @station_option
    @wraps(command)
    def with_journal(
        *args: Any, journal: JournalPlace | None, station: str | None, **rest: Any
    ) -> Any:
        return command(*args, journal=at_station(journal, station), **rest)

    return with_journal


def register_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that choose a register to read, and ``--json``.

    The command gets journal, sim and as_json.
    """
    return journal_beside_option(sim_register_option(json_option(command)))


def written_register_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that choose a register to write, and ``--json``, as `register_options`."""
    return _written_beside_option(sim_register_option(json_option(command)))


def chosen_register(journal: JournalPlace | None, *, sim: bool) -> RegisterPlace:
    """Return the register that the options choose.

    Raises:
        UsageError: the central record has no such station.
        JournalError: it can't be read.
    """
    if not isinstance(journal, RunPlace):
        return written_register(journal, sim=sim)
    if not journal.is_central:
        raise UsageError(
            f"{journal.shown} is a file of an archive, which has readings only: units and visits "
            "are in the central record."
        )
    place = journal if journal.station is None else one_station(journal)
    return CentralRegister(place, is_simulated=sim, say=narrate)


def written_register(journal: Path | None, *, sim: bool) -> Path:
    """Return the path of the register that the options choose."""
    return register_path(journal or default_path(), simulated=sim)


def simulated_hint(path: RegisterPlace) -> str:
    """Return a sentence on simulated benches, for a register that holds nothing yet."""
    if not isinstance(path, Path):
        return "" if path.is_simulated else " Those of simulated benches are listed with --sim."
    simulated = register_path(path, simulated=True)
    if path == simulated:
        return ""
    if simulated.exists():
        return " Those of simulated benches are listed with --sim."
    return " Without a counter: watch --sim --unit IDENT tries it on a simulated bench."


def opening_words(path: RegisterPlace, at_once: str) -> str:
    """Return how the first entry comes into a register that holds nothing yet.

    Args:
        path: the register.
        at_once: what is typed for that, where the register is written on this computer.
    """
    if isinstance(path, Path):
        return at_once
    return "those of a station come here when it watches with --unit IDENT and --relay."


def chosen_visit(
    visit: str, journal: JournalPlace | None, *, sim: bool
) -> tuple[RegisterPlace, str]:
    """Return the register that has a visit, and the visit's number as typed.

    Args:
        visit: as typed; that of a simulated bench may be written ``sim/3``.
        journal: the typed journal or central record; None: the default journal.
        sim: whether it is a visit of a simulated bench anyway.
    """
    sim = sim or visit.startswith(SIMULATED_PREFIX)
    return chosen_register(journal, sim=sim), visit.removeprefix(SIMULATED_PREFIX)


def refuse_options_before(context: click.Context) -> None:
    """Refuse options that were typed before the name of a subcommand, where they do nothing.

    Raises:
        UsageError: some were.
    """
    name = context.invoked_subcommand
    typed = [
        key
        for key in context.params
        if context.get_parameter_source(key) is click.core.ParameterSource.COMMANDLINE
    ]
    if name is not None and typed:
        raise UsageError(
            f"write the options after the word {name}: {context.info_name} {name} --..."
        )


def known_unit(register: RegisterReader, ident: str) -> Unit:
    """Return the unit that was typed.

    Raises:
        UsageError: there is no such unit; the message names one that differs in case only.
    """
    unit = register.unit(ident)
    if unit is None:
        like = register.like(ident)
        there_is = "" if like is None else f" There is {like}."
        raise UsageError(
            f"there is no unit {ident}.{there_is} {register.listing('units')} lists them."
        )
    return unit


def page_style(register: RegisterReader) -> VisitStyle:
    """Return the style of pages about visits: local times, to the minute."""
    return VisitStyle(
        moment=lambda utc_s: local_minute(utc_s) or "-",
        day=lambda utc_s: local_minute(utc_s)[:10] or "-",
        now_utc_s=time.time(),
        own_chain=register.own_chain,
    )
