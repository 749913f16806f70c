"""The offsets of a unit over its visits, with the trims taken out.

A unit is trimmed at most of its visits, so its offsets don't lie on one curve. What ages is seen
between visits only: from as left of one visit to as found of the next. These *intervals* are what
the forecast rests on (`interval_ageing`). The *joined* series is what the visits would have read
with the trimmer where it stands now: every earlier offset is shifted by the trims (as left less as
found) after it. Each shift brings the uncertainties of two records, so the errors of a joined
series add up along it like a random walk; a fit that takes them as independent, such as
`fit_ageing`, is right for units that were not trimmed, and too sure of the others.

A record's error is taken as independent of another's, except for what both share: the same
measurement shares all of it, and records against the same calibration of the same reference share
that, so it drops out of their difference (GUM, JCGM 100:2008, 5.2.2 with r = 1 for the shared
part). Where nothing is known of a reference, nothing is taken as shared: the root of the sum of
squares, which is then too large rather than too small.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from benchwatch.estimate.derived_frequencies import DAY_S
from benchwatch.estimate.uncertainty.limit_side import LimitSide, limit_side, usual_reach

YEAR_DAYS: Final = 365.25
"""Days of a Julian year, for rates a year."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedPart:
    """A part of a record's uncertainty that has one cause, with the same sign in every record."""

    cause: str
    """Identity of the cause: two records share the part when both name the same cause."""
    u: float
    """Contribution to the record's standard uncertainty, fractional."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DatedOffset:
    """One record of a visit, as the history needs it."""

    utc_s: float
    """Middle of the averaging, Unix seconds."""
    offset: float
    """Fractional."""
    u: float | None
    """Standard uncertainty, fractional, all shared parts included; None: not known."""
    shared: tuple[SharedPart, ...] | None = None
    """Parts that other records may share; None: not known."""
    dof: float = math.inf
    """Degrees of freedom of `u`."""
    caution: str = ""
    """Why the record may be wrong; empty without a reason."""

    def side_of(self, limit: float) -> LimitSide:
        """Return the side of ±`limit` (fractional) on which the record lies, counting its U."""
        return limit_side(self.offset, usual_reach(self.u, self.dof), limit)


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitOffsets:
    """The records of one visit; as found and as left are equal where it was not trimmed."""

    label: str
    """What the visit is called in sentences; unique."""
    nominal_hz: float | None = None
    """Nominal of the records; None: only fractions are known."""
    as_found: DatedOffset | None = None
    as_left: DatedOffset | None = None

    @property
    def first(self) -> DatedOffset | None:
        """As found, or the only record."""
        return self.as_found or self.as_left

    @property
    def last(self) -> DatedOffset | None:
        """As left, or the only record."""
        return self.as_left or self.as_found

    @property
    def trimmed(self) -> bool:
        """Whether as found and as left are two measurements, so that a trim lies between them."""
        return self.first != self.last


Terms = tuple[tuple[DatedOffset, int], ...]
"""A sum of records, each with its sign."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """The change of a unit between two visits, with its trimmer left alone."""

    from_visit: str
    to_visit: str
    from_utc_s: float
    to_utc_s: float
    terms: Terms
    """The records that the change is the sum of."""

    @property
    def change(self) -> float:
        """Change of the offset, fractional."""
        return _sum_of(self.terms)

    @property
    def u(self) -> float | None:
        """Standard uncertainty of the change; None where that of a record is not known."""
        return _u_of(self.terms)

    @property
    def shared_known(self) -> bool:
        """Whether it is known what the records share; if not, nothing is taken as shared."""
        return all(record.shared is not None for record, _ in self.terms)

    @property
    def u_known(self) -> bool:
        """Whether the u of every record is known."""
        return all(record.u is not None for record, _ in self.terms)

    @property
    def days(self) -> float:
        """Length; 0 where both records have the same time."""
        return (self.to_utc_s - self.from_utc_s) / DAY_S

    @property
    def per_year(self) -> float | None:
        """Rate, fraction a year; None over no time."""
        return self.change / self.days * YEAR_DAYS if self.days > 0 else None

    @property
    def u_per_year(self) -> float | None:
        """Standard uncertainty of the rate; large where the visits are close together."""
        u = self.u
        return u / self.days * YEAR_DAYS if u is not None and self.days > 0 else None

    @property
    def moved(self) -> bool:
        """Whether the change is larger than twice its standard uncertainty."""
        return self.u is not None and abs(self.change) > 2.0 * self.u


@dataclass(frozen=True, slots=True, kw_only=True)
class JoinedOffset:
    """The offset of one visit as it would have been with today's setting of the trimmer."""

    label: str
    """That of the visit."""
    utc_s: float
    terms: Terms
    """The records that the offset is the sum of."""

    @property
    def offset(self) -> float:
        """Fractional."""
        return _sum_of(self.terms)

    @property
    def u(self) -> float | None:
        """Standard uncertainty, those of all trims since then included; None: not known."""
        return _u_of(self.terms)


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitHistory:
    """What the visits of one unit say about its ageing."""

    intervals: tuple[Interval, ...]
    """In order of time; they don't overlap."""
    joined: tuple[JoinedOffset, ...]
    """One for each visit that counts, in order of time, back to where the setting is known."""
    newest: DatedOffset | None
    """Last record of the last visit with one: the setting of the trimmer that holds now."""
    newest_visit: str | None
    newest_dated: bool
    """Whether the date of `newest` can be relied on."""
    conflicts: tuple[tuple[str, str], ...] = ()
    """Pairs of visits, in order of writing, of which the later one has the earlier date. A visit
    whose as left is dated before its as found is paired with itself. Their dates are left out."""
    other_nominals: tuple[str, ...] = ()
    """Visits under another nominal than the unit's; they are left out."""

    @property
    def measured_visits(self) -> int:
        """Number of visits that count, with a date that can be relied on."""
        return len(self.joined)


def visit_history(visits: Iterable[VisitOffsets], nominal_hz: float | None = None) -> VisitHistory:
    """Return intervals and the joined series of the visits of one unit.

    Args:
        visits: in order of writing. Those without a record are passed over. Those under another
            nominal than the unit's are left out. Where a later visit has an earlier date, one
            of the two clocks was wrong, and both dates are left out; their trims still count.
        nominal_hz: the unit's; None, or one that no visit has: that of the last visit with one.
    """
    measured = [visit for visit in visits if visit.last is not None]
    stated = [visit.nominal_hz for visit in measured if visit.nominal_hz is not None]
    nominal = nominal_hz if nominal_hz in stated else next(reversed(stated), None)
    alike = {
        visit.label: nominal is None or visit.nominal_hz in {None, nominal} for visit in measured
    }
    ours = [visit for visit in measured if alike[visit.label]]
    conflicts = _conflicts(ours)
    doubtful = {label for pair in conflicts for label in pair}
    intervals: list[Interval] = []
    joined: list[tuple[VisitOffsets, Terms]] = []
    for chain in _chains(measured, alike):
        intervals += _intervals(chain, doubtful)
        joined = _joined(chain, doubtful)
    newest = ours[-1] if ours else None
    return VisitHistory(
        intervals=tuple(intervals),
        joined=tuple(
            JoinedOffset(label=visit.label, utc_s=_end_s(visit), terms=terms)
            for visit, terms in joined
        ),
        newest=None if newest is None else newest.last,
        newest_visit=None if newest is None else newest.label,
        newest_dated=newest is not None and newest.label not in doubtful,
        conflicts=tuple(conflicts),
        other_nominals=tuple(v.label for v in measured if not alike[v.label]),
    )


def covariance(one: Terms, two: Terms) -> float | None:
    """Return the covariance of the errors of two sums of records; None where a u is not known."""
    parts = []
    for record, sign in one:
        for other, other_sign in two:
            between = record_covariance(record, other)
            if between is None:
                return None
            parts.append(sign * other_sign * between)
    return math.fsum(parts)


def record_covariance(one: DatedOffset, two: DatedOffset) -> float | None:
    """Return the covariance of the errors of two records, by what they share (see the module)."""
    if one == two:
        return None if one.u is None else one.u**2
    if one.u is None or two.u is None:
        return None
    theirs = {part.cause: part.u for part in two.shared or ()}
    return math.fsum(part.u * theirs.get(part.cause, 0.0) for part in one.shared or ())


def _sum_of(terms: Terms) -> float:
    return math.fsum(sign * record.offset for record, sign in terms)


def _u_of(terms: Terms) -> float | None:
    squared = covariance(terms, terms)
    return None if squared is None else math.sqrt(max(squared, 0.0))


def _conflicts(visits: Sequence[VisitOffsets]) -> list[tuple[str, str]]:
    """Return pairs of neighbours whose dates go backwards; neighbours once the pairs are out."""
    found: list[tuple[str, str]] = []
    kept: list[VisitOffsets] = []
    for visit in visits:
        if visit.first is None or visit.last is None:
            continue
        if visit.last.utc_s < visit.first.utc_s:
            found.append((visit.label, visit.label))
        elif kept and visit.first.utc_s < _end_s(kept[-1]):
            found.append((kept.pop().label, visit.label))
        else:
            kept.append(visit)
    return found


def _end_s(visit: VisitOffsets) -> float:
    return math.inf if visit.last is None else visit.last.utc_s


def _chains(visits: Sequence[VisitOffsets], alike: dict[str, bool]) -> list[list[VisitOffsets]]:
    """Return the visits that count in runs; a trim at a visit that doesn't count ends a run."""
    chains: list[list[VisitOffsets]] = [[]]
    for visit in visits:
        if alike[visit.label]:
            chains[-1].append(visit)
        elif visit.trimmed:
            chains.append([])
    return chains


def _intervals(chain: Sequence[VisitOffsets], doubtful: set[str]) -> list[Interval]:
    """Return the intervals of a chain; one may lead over visits of doubtful date."""
    found: list[Interval] = []
    start: VisitOffsets | None = None
    trims: Terms = ()
    for visit in chain:
        if visit.first is None or visit.last is None:
            continue
        if visit.label in doubtful:
            trims += ((visit.last, -1), (visit.first, 1)) if visit.trimmed else ()
            continue
        if start is not None and start.last is not None:
            found.append(
                Interval(
                    from_visit=start.label,
                    to_visit=visit.label,
                    from_utc_s=start.last.utc_s,
                    to_utc_s=visit.first.utc_s,
                    terms=((visit.first, 1), (start.last, -1), *trims),
                )
            )
        start, trims = visit, ()
    return found


def _joined(chain: Sequence[VisitOffsets], doubtful: set[str]) -> list[tuple[VisitOffsets, Terms]]:
    """Return each dated visit of a chain with the records that add up to its joined offset."""
    found: list[tuple[VisitOffsets, Terms]] = []
    trims: Terms = ()
    for visit in reversed(chain):
        if visit.first is None or visit.last is None:
            continue
        if visit.label not in doubtful:
            found.append((visit, ((visit.last, 1), *trims)))
        trims += ((visit.last, 1), (visit.first, -1)) if visit.trimmed else ()
    return found[::-1]
