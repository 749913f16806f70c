"""The units and visits of a watch on the command line: one question makes an unknown unit."""

import sys
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

import click

from benchwatch.commands.common.output import narrate
from benchwatch.plan import Plan
from benchwatch.quantity import printable
from benchwatch.register import RegisterFile
from benchwatch.run import watch_visits
from benchwatch.run.watch_visits import NewUnits, UnitsOnBench, WatchVisits, register_of


def look_up_units(idents: dict[str, str], register: Path | None, *, typed: bool) -> UnitsOnBench:
    """Look up units in the register.

    Args:
        idents: their idents, by name of the counter.
        register: path of the register; None: nothing is kept.
        typed: whether they were typed, and do not come from a bench file alone.

    Raises:
        UsageError: one unit is on two counters, or units were typed and nothing is kept.
    """
    return watch_visits.look_up_units(
        idents,
        register,
        asked=typed,
        missing="--unit needs a journal, beside which units are kept: leave out --no-journal.",
    )


def make_units(
    plans: Sequence[Plan], known: Collection[str], register: RegisterFile, *, new: bool
) -> None:
    """Make the units of `plans` that the register does not know, after one question for each.

    Args:
        plans: the counters.
        known: names of the counters whose units there are.
        register: the register.
        new: make them without a question.

    Raises:
        UsageError: there is no such unit, and it was not to be made.
    """
    said = watch_visits.make_units(
        plans,
        known,
        register,
        NewUnits(
            may_make=lambda ident, there_is: new or _may_make(ident, there_is),
            advice="Add --new to make it, or look at benchwatch units.",
        ),
    )
    if said:
        narrate(said)


def open_visits(
    plans: Sequence[Plan],
    known: Collection[str],
    journal: Path,
    *,
    new: bool,
    resumes: bool,
    begins_at_once: bool,
) -> WatchVisits:
    """Return the visits of the planned counters: open ones go on, unless `resumes` is False.

    Args:
        plans: the counters.
        known: names of the counters whose units the register has.
        journal: the journal, beside which the register is.
        new: make units that are not known without a question.
        resumes: whether open visits go on.
        begins_at_once: whether a new visit begins with its first reading.

    Raises:
        UsageError: there is no such unit, and it was not to be made.
    """
    here = [plan for plan in plans if plan.station is None]  # a station keeps its own visits
    register = register_of(here, journal)
    make_units(here, known, register.register, new=new)
    opened = watch_visits.open_visits(
        here, register, journal, resumes=resumes, at_once=begins_at_once
    )
    completed = {plan.name: plan for plan in opened.plans}
    return replace(opened, plans=tuple(completed.get(plan.name, plan) for plan in plans))


def _may_make(ident: str, there_is: str) -> bool:
    """Ask on a terminal whether a unit is to be made; elsewhere it may not."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return False
    question = f"There is no unit {printable(ident)} yet.{there_is} Make it?"
    return click.confirm(question, default=False, err=True)
