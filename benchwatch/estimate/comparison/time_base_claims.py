"""Claims on the time bases of compared counters, each with the condition under which it holds.

A difference of two counters is known from their readings alone. Which time base causes it is known
only with a counter on the reference, or from a majority. Where a recording shows that a counter ran
on its own oscillator, that counter is no reference.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.comparison.counter_comparison import (
    AGREEING,
    SURE,
    Difference,
    TimeBaseOffset,
    against_reference,
    difference_of,
    mean_offset,
    odd_one_out,
    of_all,
)
from benchwatch.estimate.comparison.matched_pair import MatchedPair
from benchwatch.quantity import listed

RunTimeBase = Literal["internal", "external", "unknown", "changing"]
"""Time base of a run; ``changing``: its own oscillator for only a part of the readings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeBaseClaim:
    """An offset of a time base, and the condition under which it is true."""

    base: TimeBaseOffset
    against: str | None
    """The counter taken to run on the reference; None: the offset is against the others' mean."""
    condition: str
    """A clause that begins with "if"."""
    readings: int
    u_apart: float | None = None
    """Standard uncertainty by the comparison alone, without that of the reference."""
    expanded: float | None = None
    """Half-width of the 95 % interval by the comparison alone; None when unknown."""
    whole: float | None = None
    """The same with the uncertainty of the reference; None while that is not stated."""
    dof: float = math.inf
    """Degrees of freedom of `u_apart`."""
    seen: bool | None = None
    """Whether the offset is more than the noise of the comparison could make, at `SURE`; False:
    not more than `expanded`; None: between the two."""

    def as_dict(self) -> dict[str, Any]:
        """Return the claim as plain values for JSON."""
        return {
            "counter": self.base.counter, "against": self.against, "offset": self.base.offset,
            "u": self.base.u, "u_difference": self.u_apart, "expanded": self.expanded,
            "expanded_with_reference": self.whole, "off": self.seen,
            "condition": self.condition, "readings": self.readings,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class TimeBaseClaims:
    """Claims that the readings prove, and for each refused claim a sentence with the reason."""

    made: tuple[TimeBaseClaim, ...] = ()
    refused: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedReference:
    """The counter that runs on the reference, and what is known of that."""

    counter: str
    u: float | None = None
    """Standard uncertainty of the reference; None: not stated."""
    offset: float = 0.0
    """Known offset of the reference."""


def run_time_base(own: FloatArray, *, external: bool = False) -> RunTimeBase:
    """Return the time base of a run.

    Args:
        own: 1 for each reading on the counter's own oscillator, 0 for each other reading, nan
            where there is none, shape (n,).
        external: whether the recording states that the other readings were taken on an external
            time base.
    """
    known = own[np.isfinite(own)]
    if known.size and known.all():
        return "internal"
    if known.any():
        return "changing"
    return "external" if external else "unknown"


def on_external(
    time_bases: Mapping[str, RunTimeBase], found: Sequence[Difference]
) -> tuple[str | None, TimeBaseClaims]:
    """Return the counter on an external time base that the others are held against.

    Of several that agree it is the one whose differences are known best. Where they disagree, none
    can be taken for the reference, and a sentence says so.

    Args:
        time_bases: the time base of each counter.
        found: the differences of pairs.
    """
    external = [name for name, how in time_bases.items() if how == "external"]
    among = [pair for pair in found if {pair.first, pair.second} <= set(external)]
    apart = [pair for pair in among if pair.agrees(of_all(AGREEING, len(among))) is False]
    if apart:
        why = (
            f"{listed(external)} ran on an external time base and disagree: at most one of the "
            "disagreeing ones is on the reference, and which one can't be told from this."
        )
        return None, TimeBaseClaims((), (why,))

    def worst(name: str) -> float:
        """Return the largest u of the counter's differences."""
        mine = (pair.u for pair in found if name in {pair.first, pair.second})
        return max((math.inf if u is None else u for u in mine), default=math.inf)

    return (min(external, key=worst) if external else None), TimeBaseClaims()


def claims_on_reference(
    pairs: Sequence[MatchedPair],
    time_bases: Mapping[str, RunTimeBase],
    reference: NamedReference,
) -> TimeBaseClaims:
    """Return claims on the offsets of the other time bases, with one counter on the reference.

    Readings that it took on its own oscillator are left out. Of another counter that changed its
    time base, only the readings on its own oscillator are compared.

    Args:
        pairs: matched readings of all pairs.
        time_bases: the time base of each counter, by `run_time_base`.
        reference: the counter named as running on the reference.
    """
    trusted = reference.counter
    if time_bases[trusted] == "internal":
        why = (
            f"{trusted} is named as the one on the reference, but its recording says that it "
            "ran on its own oscillator: only differences are known, and no time base can be told."
        )
        return TimeBaseClaims((), (why,))
    made: list[TimeBaseClaim] = []
    refused: list[str] = []
    for pair in pairs:
        if trusted not in {pair.first, pair.second}:
            continue
        name = pair.second if pair.first == trusted else pair.first
        if time_bases[name] == time_bases[trusted] == "external":
            refused.append(_both_external(pair, name, trusted))
            continue
        usable = _usable(pair, trusted, only_own=time_bases[name] == "changing")
        found = difference_of(usable)
        if found is None:
            refused.append(
                f"{name} has no reading on its own oscillator while {trusted} was on another."
            )
            continue
        made.append(_claim(usable, found, reference, _condition(trusted, time_bases)))
    order = list(time_bases)
    made.sort(key=lambda claim: order.index(claim.base.counter))
    return TimeBaseClaims(tuple(made), tuple(refused))


def _both_external(pair: MatchedPair, name: str, trusted: str) -> str:
    """Write what follows where two counters ran on external time bases."""
    found = difference_of(pair)
    if found is not None and found.agrees():
        return (
            f"{trusted} and {name} both ran on an external time base and agree: the counters and "
            "their cables are sound within U; an error of the reference itself would not show."
        )
    return (
        f"{name} ran on an external time base as {trusted} did: what they differ by is "
        "no offset of its own oscillator."
    )


def _usable(pair: MatchedPair, trusted: str, *, only_own: bool) -> MatchedPair:
    """Return the pair with nan where `trusted` counted by its own oscillator, and the other not.

    Args:
        pair: the matched readings.
        trusted: the counter on the reference.
        only_own: whether the other counter changed its time base.
    """
    own, of_other = pair.first_own, pair.second_own
    if trusted == pair.second:
        own, of_other = of_other, own
    fit = own != 1.0
    if only_own:
        fit &= of_other == 1.0
    return replace(
        pair,
        first_offset=np.where(fit, pair.first_offset, np.nan),
        second_offset=np.where(fit, pair.second_offset, np.nan),
    )


def _claim(
    pair: MatchedPair, found: Difference, reference: NamedReference, condition: str
) -> TimeBaseClaim:
    """Return the claim on the counter of the pair that is not on the reference."""
    trusted = reference.counter
    offsets = pair.first_offset if pair.first == trusted else pair.second_offset
    read = mean_offset(np.where(np.isfinite(pair.apart), offsets, np.nan))
    (base,) = against_reference([found], trusted, read, reference.u, reference.offset)
    half = found.half_width()
    return TimeBaseClaim(
        base=base,
        against=trusted,
        condition=condition,
        readings=found.readings,
        u_apart=found.u,
        expanded=half,
        whole=_whole(base.u, found),
        dof=found.dof,
        seen=_is_seen(base.offset - reference.offset, half, found.half_width(SURE)),
    )


def _whole(u: float | None, found: Difference) -> float | None:
    """Return the half-width with the uncertainty of the reference; None while that is unknown.

    Args:
        u: standard uncertainty with that of the reference.
        found: the difference, which alone has finite degrees of freedom (GUM G.4.1).
    """
    if u is None or not found.u:
        return None
    return replace(found, u=u, dof=found.dof * (u / found.u) ** 4).half_width()


def _is_seen(offset: float, half: float | None, sure_half: float | None) -> bool | None:
    """Return `TimeBaseClaim.seen` for an offset with these half-widths."""
    if half is None or sure_half is None or half < abs(offset) <= sure_half:
        return None
    return abs(offset) > sure_half


def claim_of_majority(
    found: Sequence[Difference], time_bases: Mapping[str, RunTimeBase]
) -> TimeBaseClaims:
    """Return the claim that one of three or more counters disagrees with all others, which agree.

    No claim is made against a counter on an external time base by others on their own.
    """
    odd = odd_one_out(found)
    if odd is None:
        return TimeBaseClaims()
    others = [name for name in time_bases if name != odd.counter]
    head = f"{odd.counter} disagrees with the others, which agree"
    if time_bases[odd.counter] == "external" and all(
        time_bases[name] == "internal" for name in others
    ):
        why = (
            f"{head}. But it ran on an external time base and they ran on their own oscillators, "
            "so which side is off can't be told."
        )
        return TimeBaseClaims((), (why,))
    condition = "if the time bases of the others are right"
    if all(how == "internal" for how in time_bases.values()):
        condition += "; all ran on their own oscillators"
    mine = [pair for pair in found if odd.counter in {pair.first, pair.second}]
    worst = max(mine, key=lambda pair: pair.u or 0.0)
    claim = TimeBaseClaim(
        base=odd,
        against=None,
        condition=condition,
        readings=min(pair.readings for pair in found),
        u_apart=worst.u,
        expanded=worst.half_width(),
        dof=worst.dof,
        seen=True,
    )
    return TimeBaseClaims((claim,), ())


def no_claim(time_bases: Mapping[str, RunTimeBase]) -> str | None:
    """Return a sentence on why no claim can be made without a reference; None without one."""
    names = list(time_bases)
    if all(how == "internal" for how in time_bases.values()):
        who = "Both" if len(names) == 2 else "All"
        return f"{who} ran on their own oscillators: only differences of time bases are known."
    if len(names) == 2:
        return (
            "Two counters alone don't tell whose time base is off; one must be known to run on the "
            "reference."
        )
    return None


def _condition(reference: str, time_bases: Mapping[str, RunTimeBase]) -> str:
    conditions = {
        "external": f"if the external time base that {reference} ran on is the reference",
        "changing": f"if {reference} was on the reference whenever not on its own oscillator",
    }
    unknown = f"if {reference} ran on the reference, which its recording doesn't tell"
    return conditions.get(time_bases[reference], unknown)
