"""The history of a unit, from its visits in the register."""

import heapq
from collections.abc import Iterable, Sequence
from itertools import groupby

from benchwatch.estimate.ageing.history_records import dated_offset
from benchwatch.estimate.ageing.visit_history import (
    DatedOffset,
    VisitHistory,
    VisitOffsets,
    visit_history,
)
from benchwatch.reading import MEASURED
from benchwatch.register.visit import TYPED_TABLE, Visit, VisitRecord


def history_of(visits: Iterable[Visit], nominal_hz: float | None = None) -> VisitHistory:
    """Return the history of the unit that all of `visits` are of; `nominal_hz` is the unit's."""
    ordered = in_order_of_visiting(visits)
    chains = {visit.chain for visit in ordered}
    offsets = (_offsets(visit, several=len(chains) > 1) for visit in ordered)
    return visit_history(offsets, nominal_hz)


def in_order_of_visiting(visits: Iterable[Visit]) -> list[Visit]:
    """Return visits in the order in which they took place.

    Watched visits of one machine took place in the order in which they were opened, whatever
    its clock said; those of several machines are merged by their dates. A visit that was typed in
    later took place when it says.
    """
    found = sorted(visits, key=lambda visit: (visit.chain, visit.number))
    watched = [visit for visit in found if visit.source != TYPED_TABLE]
    chains = [list(some) for _, some in groupby(watched, key=lambda visit: visit.chain)]
    ordered = list(heapq.merge(*chains, key=lambda visit: visit.opened_utc_s))
    typed = [visit for visit in found if visit.source == TYPED_TABLE]
    for visit in sorted(typed, key=lambda visit: visit.opened_utc_s, reverse=True):
        later = (k for k, one in enumerate(ordered) if one.opened_utc_s > visit.opened_utc_s)
        ordered.insert(next(later, len(ordered)), visit)
    return ordered


def _offsets(visit: Visit, *, several: bool) -> VisitOffsets:
    """Return the records of a visit; a plain measurement counts where there is no other."""
    as_found, as_left = _dated(visit.as_found), _dated(visit.as_left)
    plain = _newest_plain(visit.records)
    if as_found is None and as_left is None:
        as_found = _dated(plain)
    newest = visit.as_left or visit.as_found or plain
    nominal_hz = None if newest is None else newest.record.nominal_hz
    if nominal_hz is None and visit.nominal_hz is not None:
        nominal_hz = float(visit.nominal_hz)
    return VisitOffsets(
        label=visit.name if several else str(visit.number),
        nominal_hz=nominal_hz,
        as_found=as_found,
        as_left=as_left,
    )


def _newest_plain(records: Sequence[VisitRecord]) -> VisitRecord | None:
    return next((one for one in reversed(records) if one.record.kind == MEASURED), None)


def _dated(one: VisitRecord | None) -> DatedOffset | None:
    return None if one is None else dated_offset(one.record, one.at_utc_s)
