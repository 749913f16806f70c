"""The whole comparison of counters on one signal: differences, agreement, claims, own shares."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from benchwatch.estimate.comparison.counter_comparison import (
    SURE,
    Difference,
    LimitedBy,
    difference_of,
    of_all,
    without_motion,
)
from benchwatch.estimate.comparison.matched_pair import MatchedPair, since_change
from benchwatch.estimate.comparison.own_shares import OwnShare, own_shares
from benchwatch.estimate.comparison.time_base_claims import (
    NamedReference,
    RunTimeBase,
    TimeBaseClaim,
    TimeBaseClaims,
    claim_of_majority,
    claims_on_reference,
    no_claim,
    on_external,
)
from benchwatch.estimate.uncertainty.uncertainty_budget import DEFAULT_COVERAGE

FEWEST_TO_FORETELL: Final = 32
"""Fewest readings for a word on how long it takes to tell more."""
LEAST_GAIN: Final = 0.15
"""Exponent of u against the time compared, below which a longer comparison tells no more."""
WHITE_GAIN: Final = 0.5
"""The same of white noise, which is the most that is counted on."""
FEWEST_TO_DENY: Final = 30
EARLY_FACTOR: Final = 2.0
"""With fewer readings of a pair than that, an interval so many times as wide says that they
disagree."""
TOLERANCE_SHARE: Final = 0.25
"""Largest U of an agreement that proves something, as a share of the tolerance: common practice
(4 to 1), no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedPair:
    """The difference of two counters, as it is stated."""

    first: str
    second: str
    offset: float
    """Mean of what `first` read less what `second` read, fractional."""
    u: float | None
    dof: float
    expanded: float | None
    """Half-width of the interval at the coverage of the comparison; None while unknown."""
    readings: int
    agree: bool | None
    """Whether the interval holds zero; None while it is unknown."""
    limited_by: LimitedBy = "noise"
    """What the uncertainty is mostly made of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MoreToTell:
    """What a longer comparison would tell."""

    reach: float
    """Half-width (fractional) of the interval that would be reached."""
    wait_s: float | None
    """About how much longer; None: longer tells no more."""
    limited_by: LimitedBy = "noise"
    """What U is mostly made of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonResult:
    """The comparison of two or more counters on one signal."""

    counters: tuple[str, ...]
    pairs: tuple[ComparedPair, ...]
    time_bases: tuple[tuple[str, RunTimeBase], ...]
    """Time base of each counter, as it tells it itself."""
    claims: tuple[TimeBaseClaim, ...] = ()
    refused: tuple[str, ...] = ()
    """Sentences that say what can't be claimed, and why."""
    own: tuple[OwnShare, ...] = ()
    """The noise of each of three or more counters alone."""
    coverage: float = DEFAULT_COVERAGE
    readings: int = 0
    """Matched readings of the pair with the fewest."""
    span_s: float = 0.0
    """Time from the first matched readings to the last."""
    more: MoreToTell | None = None
    tolerance: float | None = None
    """Smallest tolerance of the units that the counters measure, fractional; None without one."""
    same_moments: bool = True
    """Whether all counters were read at the same moments with one gate: else noise of the signal
    is in the own shares too."""

    @property
    def widest(self) -> float | None:
        """Largest U of a pair, fractional; None while one is unknown."""
        known = [pair.expanded for pair in self.pairs if pair.expanded is not None]
        return max(known) if known and len(known) == len(self.pairs) else None

    @property
    def is_fine_enough(self) -> bool:
        """Whether U of every pair is small beside the tolerance; without one, once U is known."""
        if self.widest is None:
            return False
        return self.tolerance is None or self.widest <= TOLERANCE_SHARE * self.tolerance

    @property
    def agree(self) -> bool | None:
        """Whether all counters agree; None: not known, or not sure yet.

        They agree within the intervals of all pairs together, and disagree where one pair does
        even at `SURE`: new readings come without end, and at 95 % one look in twenty would cry.
        """
        if not self.is_whole:
            return None
        count = len(self.pairs)
        found = [_difference(pair) for pair in self.pairs]
        if all(pair.agrees(of_all(self.coverage, count)) for pair in found):
            return True
        return False if any(_denies(pair, of_all(SURE, count)) for pair in found) else None

    @property
    def is_whole(self) -> bool:
        """Whether every pair of counters has an interval."""
        known = [pair for pair in self.pairs if pair.expanded is not None]
        return len(self.counters) > 1 and len(known) == math.comb(len(self.counters), 2)

    def as_dict(self) -> dict[str, Any]:
        """Return the comparison as plain values for JSON; unknown values are None."""
        return {
            "counters": list(self.counters), "agree": self.agree,
            "pairs": [
                {"first": pair.first, "second": pair.second, "offset": pair.offset, "u": pair.u,
                 "dof": pair.dof if pair.u is not None and math.isfinite(pair.dof) else None,
                 "expanded": pair.expanded, "coverage": self.coverage, "readings": pair.readings,
                 "agree": pair.agree}
                for pair in self.pairs
            ],
            "time_bases": dict(self.time_bases),
            "claims": [claim.as_dict() for claim in self.claims],
            "refused": list(self.refused), "own": [share.as_dict() for share in self.own],
            "readings": self.readings, "span_s": round(self.span_s, 6),
            "tolerance": self.tolerance, "same_moments": self.same_moments,
        }  # fmt: skip


def compare_counters(
    pairs: Sequence[MatchedPair],
    time_bases: Mapping[str, RunTimeBase],
    reference: NamedReference | None = None,
    *,
    references: Mapping[str, NamedReference] | None = None,
    coverage: float = DEFAULT_COVERAGE,
    tolerance: float | None = None,
) -> ComparisonResult:
    """Compare counters on one signal.

    Args:
        pairs: matched readings of every pair of counters that has any.
        time_bases: time base of every counter, in the order in which they are named.
        reference: the counter said to run on the reference; None: one that itself tells that it
            is on an external time base, if that can be taken for the reference.
        references: what is stated of the reference of each counter, for that case.
        coverage: of the intervals.
        tolerance: smallest tolerance of the units that they measure, fractional; None without one.
    """
    stretches = [since_change(pair) for pair in pairs]
    newest = [without_motion(stretch) for stretch in stretches]
    found = [one for pair in newest if (one := difference_of(pair)) is not None]
    claims, majority = TimeBaseClaims(), claim_of_majority(found, time_bases)
    if reference is None and not majority.refused:
        trusted, claims = on_external(time_bases, found)
        if trusted is not None:
            stated = (references or {}).get(trusted)
            reference = stated or NamedReference(counter=trusted)
    if reference is not None:
        # Claims choose among the readings of both time bases by themselves.
        whole = [
            of_stretch if stretch is pair else without_motion(pair)
            for pair, stretch, of_stretch in zip(pairs, stretches, newest, strict=True)
        ]
        claims = claims_on_reference(whole, time_bases, reference)
    made, refused = claims.made + majority.made, claims.refused + majority.refused
    why_none = None if made or refused else no_claim(time_bases)
    compared = tuple(_stated(one, coverage) for one in found)
    return ComparisonResult(
        counters=tuple(time_bases),
        pairs=compared,
        time_bases=tuple(time_bases.items()),
        claims=made,
        refused=refused if why_none is None else (why_none,),
        own=own_shares(newest),
        coverage=coverage,
        readings=min((one.readings for one in found), default=0),
        span_s=max((_span_s(pair) for pair in newest), default=0.0),
        more=_more_to_tell(newest, compared),
        tolerance=tolerance,
        same_moments=all(pair.at_once for pair in newest),
    )


def _stated(found: Difference, coverage: float) -> ComparedPair:
    return ComparedPair(
        first=found.first,
        second=found.second,
        offset=found.mean,
        u=found.u,
        dof=found.dof,
        expanded=found.half_width(coverage),
        readings=found.readings,
        agree=found.agrees(coverage),
        limited_by=found.limited_by,
    )


def _denies(found: Difference, coverage: float) -> bool:
    """Return whether a pair disagrees for sure; few readings show too little of slow noise."""
    half = found.half_width(coverage)
    factor = EARLY_FACTOR if found.readings < FEWEST_TO_DENY else 1.0
    return half is not None and abs(found.mean) > factor * half


def _difference(pair: ComparedPair) -> Difference:
    return Difference(
        first=pair.first,
        second=pair.second,
        mean=pair.offset,
        u=pair.u,
        dof=pair.dof,
        readings=pair.readings,
    )


def _span_s(pair: MatchedPair) -> float:
    """Return the time from the first matched readings to the last, s."""
    times = pair.time_s[np.isfinite(pair.time_s)]
    return float(times[-1] - times[0]) if times.size else 0.0


def _more_to_tell(
    pairs: Sequence[MatchedPair], compared: Sequence[ComparedPair]
) -> MoreToTell | None:
    """Foretell when the widest interval will be half as wide, by how it has narrowed so far."""
    known = [one for one in compared if one.expanded]
    if not known or len(known) < len(compared):
        return None
    widest = max(known, key=lambda one: one.expanded or 0.0)
    pair = next(one for one in pairs if (one.first, one.second) == (widest.first, widest.second))
    half = difference_of(pair.rows(slice(pair.time_s.size // 2, None)))
    if widest.readings < FEWEST_TO_FORETELL or half is None or not half.u or not widest.u:
        return None
    gain = min(math.log2(half.u / widest.u), WHITE_GAIN)
    reach = _rounded_down((widest.expanded or 0.0) / 2.0)
    if gain < LEAST_GAIN or widest.limited_by == "digits":
        return MoreToTell(reach=reach, wait_s=None, limited_by=widest.limited_by)
    times_longer = ((widest.expanded or 0.0) / reach) ** (1.0 / gain)
    return MoreToTell(reach=reach, wait_s=_span_s(pair) * (times_longer - 1.0))


def _rounded_down(value: float) -> float:
    """Return the largest of 1, 2 and 5 times a power of ten that is not above `value`."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (5.0, 2.0, 1.0) if step * power <= value * (1 + 1e-9))
