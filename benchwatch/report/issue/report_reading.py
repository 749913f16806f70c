"""Reads what a report is made from: the register, the journals beside it, the laboratory's file."""

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchwatch.central_record.register_entries import RegisterPlace, runs_of
from benchwatch.register import RegisterReader, Visit, register_source
from benchwatch.register.chain_check import newest_entry
from benchwatch.register.issued_report import ChainHead
from benchwatch.register.register_entry import chain_in
from benchwatch.register.unit_history import in_order_of_visiting
from benchwatch.report.contents.report_source import ReportOptions, ReportSource
from benchwatch.report.laboratory.laboratory import Laboratory
from benchwatch.report.unit_standing import UnitStanding, unit_standing
from benchwatch.report.visit_style import VisitStyle

if TYPE_CHECKING:
    from benchwatch.recording.read_position import ReadPosition

MakeStyle = Callable[[str | None], VisitStyle]
"""Makes the style of a report from the register's own chain."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportRequest:
    """Of which visit a report is made, and how."""

    register: RegisterPlace
    visit: str
    """As a person names it: its number, or ``CHAIN/NUMBER``."""
    make_style: MakeStyle
    laboratory: Laboratory
    options: ReportOptions
    position: "ReadPosition | None" = None
    """Is kept at how far the readings of the visit are read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisteredVisit:
    """A visit as one state of the register has it."""

    visit: Visit
    standing: UnitStanding | None
    style: VisitStyle
    entries: int
    """How many entries of the register belong to it."""
    head: ChainHead | None
    """The end of this machine's chain; of the visit's own chain where this machine has none."""


def read_registered_visit(request: ReportRequest) -> RegisteredVisit:
    """Return the visit, in one state of the register.

    Raises:
        UsageError: there is no such visit.
        RegisterError: the register can't be read.
    """
    with register_source(request.register).reading() as connection:
        register = RegisterReader(connection, request.register)
        visit = register.typed_visit(request.visit)
        assert connection is not None
        return RegisteredVisit(
            visit=visit,
            standing=_standing_then(register, visit),
            style=request.make_style(register.own_chain),
            entries=count_entries(connection, visit.name),
            head=present_head(connection, register.own_chain or chain_in(visit.name)),
        )


def read_source(request: ReportRequest, registered: RegisteredVisit) -> ReportSource:
    """Return what the report of a registered visit is made from, without a head: a draft's."""
    from benchwatch.measured_visit.visit_reader import (  # noqa: PLC0415 - numpy is slow to load
        read_measured_visit,
    )

    return ReportSource(
        visit=registered.visit,
        standing=registered.standing,
        style=registered.style,
        measured=read_measured_visit(
            registered.visit, runs_of(request.register), position=request.position
        ),
        laboratory=request.laboratory,
        options=request.options,
        simulated=register_source(request.register).is_simulated,
    )


def present_head(connection: sqlite3.Connection, chain: str) -> ChainHead | None:
    """Return the last entry of a chain; None where there is none."""
    entry = newest_entry(connection, chain)
    if entry is None:
        return None
    return ChainHead(chain=chain, entry=entry.name, hash=entry.hash)


def count_entries(connection: sqlite3.Connection, visit: str) -> int:
    """Return how many entries belong to the visit ``CHAIN/NUMBER``: it only grows."""
    query = "SELECT count(*) FROM entries WHERE visit = ?"
    return int(connection.execute(query, (visit,)).fetchone()[0])


def _standing_then(register: RegisterReader, visit: Visit) -> UnitStanding | None:
    """Return how the unit stood at the end of the visit: later visits do not count."""
    unit = None if visit.unit is None else register.unit(visit.unit)
    if unit is None:
        return None
    visits = in_order_of_visiting(register.visits_of(unit.ident))
    names = [one.name for one in visits]
    return unit_standing(unit, visits[: names.index(visit.name) + 1])
