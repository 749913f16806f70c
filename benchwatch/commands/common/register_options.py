"""The options that choose a register, and what commands on units and visits share."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import click

from benchwatch.clock import local_minute
from benchwatch.errors import UsageError
from benchwatch.journal import default_path
from benchwatch.register import RegisterReader, Unit, register_path
from benchwatch.report.visit_style import VisitStyle

SIMULATED_PREFIX: Final = "sim/"
"""In front of the number of a visit of a simulated bench."""

journal_beside_option: Final = click.option(
    "--journal",
    type=click.Path(path_type=Path),
    help="The journal beside which the register is; the one that watch uses if left out.",
)
sim_register_option: Final = click.option(
    "--sim", is_flag=True, help="Those of simulated benches, which are kept apart."
)
json_option: Final = click.option("--json", "as_json", is_flag=True, help="JSON, for programs.")


def register_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--journal``, ``--sim`` and ``--json``; the command gets journal, sim and as_json."""
    return journal_beside_option(sim_register_option(json_option(command)))


def chosen_register(journal: Path | None, *, sim: bool) -> Path:
    """Return the path of the register that the options choose."""
    return register_path(journal or default_path(), simulated=sim)


def simulated_hint(path: Path) -> str:
    """Return a sentence on simulated benches, for a register at `path` that holds nothing yet."""
    simulated = register_path(path, simulated=True)
    if path == simulated:
        return ""
    if simulated.exists():
        return " Those of simulated benches are listed with --sim."
    return " Without a counter: watch --sim --unit IDENT tries it on a simulated bench."


def chosen_visit(visit: str, journal: Path | None, *, sim: bool) -> tuple[Path, str]:
    """Return the path of the register that has a visit, and the visit's number as typed.

    Args:
        visit: as typed; that of a simulated bench may be written ``sim/3``.
        journal: the typed journal; None: the default one.
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
        raise UsageError(f"there is no unit {ident}.{there_is} benchwatch units lists them.")
    return unit


def page_style(register: RegisterReader) -> VisitStyle:
    """Return the style of pages about visits: local times, to the minute."""
    return VisitStyle(
        moment=lambda utc_s: local_minute(utc_s) or "-",
        day=lambda utc_s: local_minute(utc_s)[:10] or "-",
        now_utc_s=time.time(),
        own_chain=register.own_chain,
    )
