"""Claims on the time bases of compared counters, each with the condition under which it holds.

A difference of two counters is known from their readings alone. Which time base causes it is known
only with a counter on the reference, or from a majority. Where a recording shows that a counter ran
on its own oscillator, that counter is no reference.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.comparison.counter_comparison import (
    Difference,
    TimeBaseOffset,
    against_reference,
    differences,
    mean_offset,
    odd_one_out,
)

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


@dataclass(frozen=True, slots=True)
class TimeBaseClaims:
    """Claims that the readings prove, and for each refused claim a sentence with the reason."""

    made: tuple[TimeBaseClaim, ...]
    refused: tuple[str, ...]


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


def claims_on_reference(
    readings: Mapping[str, FloatArray],
    own: Mapping[str, FloatArray],
    time_bases: Mapping[str, RunTimeBase],
    *,
    reference: str,
    interval_s: float,
    u_reference: float | None = None,
    reference_offset: float = 0.0,
) -> TimeBaseClaims:
    """Return claims on the offsets of the other time bases, with `reference` on the reference.

    Readings that `reference` took on its own oscillator are left out. Of another counter that
    changed its time base, only the readings on its own oscillator are compared.

    Args:
        readings: matched offsets as for `differences`.
        own: as for `run_time_base`, matched likewise.
        time_bases: the time base of each counter, by `run_time_base`.
        reference: the counter named as running on the reference.
        interval_s: from one matched set to the next.
        u_reference: standard uncertainty of the reference; None when not stated.
        reference_offset: known offset of the reference.
    """
    if time_bases[reference] == "internal":
        why = (
            f"{reference} is named as the one on the reference, but its recording says that it "
            "ran on its own oscillator: only differences are known, and no time base can be told."
        )
        return TimeBaseClaims((), (why,))
    fit = own[reference] != 1.0
    made: list[TimeBaseClaim] = []
    refused: list[str] = []
    for name in readings:
        if name == reference:
            continue
        if time_bases[name] == time_bases[reference] == "external":
            refused.append(
                f"{name} ran on an external time base as {reference} did: what they differ by is "
                "no offset of its own oscillator."
            )
            continue
        usable = fit & (own[name] == 1.0) if time_bases[name] == "changing" else fit
        pair = {each: np.where(usable, readings[each], np.nan) for each in (reference, name)}
        common = int(np.count_nonzero(np.isfinite(pair[reference] - pair[name])))
        if common == 0:
            refused.append(
                f"{name} has no reading on its own oscillator while {reference} was on another."
            )
            continue
        both = np.isfinite(pair[reference] - pair[name])
        read = mean_offset(np.where(both, pair[reference], np.nan))
        found = differences(pair, interval_s)
        (base,) = against_reference(found, reference, read, u_reference, reference_offset)
        made.append(
            TimeBaseClaim(
                base=base,
                against=reference,
                condition=_condition(reference, time_bases),
                readings=common,
            )
        )
    return TimeBaseClaims(tuple(made), tuple(refused))


def claim_of_majority(
    pairs: Sequence[Difference], time_bases: Mapping[str, RunTimeBase], coverage: float
) -> TimeBaseClaims:
    """Return the claim that one of three or more counters disagrees with all others, which agree.

    No claim is made against a counter on an external time base by others on their own.
    """
    odd = odd_one_out(pairs, coverage)
    if odd is None:
        return TimeBaseClaims((), ())
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
    readings = min(pair.readings for pair in pairs)
    return TimeBaseClaims(
        (TimeBaseClaim(base=odd, against=None, condition=condition, readings=readings),), ()
    )


def no_claim(time_bases: Mapping[str, RunTimeBase]) -> str | None:
    """Return a sentence on why no claim can be made without a named reference; None without one."""
    names = list(time_bases)
    if all(how == "internal" for how in time_bases.values()):
        who = "Both" if len(names) == 2 else "All"
        return f"{who} ran on their own oscillators: only differences of time bases are known."
    external = [name for name in names if time_bases[name] == "external"]
    if len(external) == 1:
        return (
            f"{external[0]} ran on an external time base. If that is the reference, --reference "
            f"{external[0]} says how far the others are off."
        )
    if len(names) == 2:
        return "Two counters alone don't tell whose time base is off; state --reference NAME."
    return None


def _condition(reference: str, time_bases: Mapping[str, RunTimeBase]) -> str:
    conditions = {
        "external": f"if the external time base that {reference} ran on is the reference",
        "changing": f"if {reference} was on the reference whenever not on its own oscillator",
    }
    unknown = f"if {reference} ran on the reference, which its recording doesn't tell"
    return conditions.get(time_bases[reference], unknown)
