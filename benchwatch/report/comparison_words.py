"""What a comparison of counters says, in the same sentences live, on record and afterwards."""

from collections.abc import Sequence
from typing import Final

from benchwatch.estimate.comparison.comparison_result import (
    TOLERANCE_SHARE,
    ComparedPair,
    ComparisonResult,
)
from benchwatch.estimate.comparison.counter_comparison import LimitedBy
from benchwatch.estimate.comparison.own_shares import SHARE_COVERAGE, OwnShare
from benchwatch.estimate.comparison.time_base_claims import RunTimeBase, TimeBaseClaim
from benchwatch.quantity import (
    OffsetUnit,
    format_duration,
    how_many,
    in_unit,
    listed,
    offset_unit,
    write_fraction,
)
from benchwatch.run.chain_proof import ChainWords

TIME_BASE_WORDS: Final[dict[RunTimeBase, str]] = {
    "internal": "its own oscillator",
    "external": "an external time base",
    "changing": "its own oscillator for a part",
    "unknown": "not told",
}
NOT_RESOLVABLE: Final = "not resolvable"
SIGNAL_TOO: Final = (
    "; their gates are not the same moments, so noise of the signal between them is in it too"
)
"""Said of own shares."""


NO_MORE: Final[dict[LimitedBy, str]] = {
    "noise": "a longer comparison tells no more than this: the difference itself wanders.",
    "motion": "the signal moves too fast to tell more: compare again once it has settled.",
    "digits": "a longer comparison tells no more than the last digits of the counters.",
}
"""Why a longer comparison tells no more, by what U is mostly made of."""


def comparison_unit(result: ComparisonResult) -> OffsetUnit:
    """Return the unit of all offsets of a comparison, which fits the largest difference."""
    sizes = [abs(pair.offset) for pair in result.pairs]
    sizes += [pair.expanded or 0.0 for pair in result.pairs]
    return offset_unit(max(sizes, default=0.0))


def comparison_sentences(result: ComparisonResult) -> list[str]:
    """Write what a comparison says: agreement, what follows for each time base, own shares."""
    unit = comparison_unit(result)
    sentences = [agreement_sentence(result, unit)]
    sentences += [claim_sentence(claim, unit) for claim in result.claims]
    sentences += result.refused
    own = shortest_shares(result.own)
    if own:
        sentences.append(own_sentence(own, unit, same_moments=result.same_moments))
    return sentences


def agreement_sentence(result: ComparisonResult, unit: OffsetUnit | None = None) -> str:
    """Write whether the counters agree, by how much they differ, and how that is known."""
    unit = unit or comparison_unit(result)
    names, share = listed(result.counters), f"{result.coverage * 100:g} %"
    if not result.is_whole:
        return f"not known yet whether {names} agree: {_how_many(result)} so far."
    if result.agree is None:
        worst = max(result.pairs, key=lambda pair: abs(pair.offset) / (pair.expanded or 1.0))
        return (
            f"not sure yet whether {names} agree: {_apart(worst, unit)} (U at {share}), "
            f"a little more than noise explains, from {_how_many(result)}: more will tell."
        )
    known = f"{_how_many(result)} in {format_duration(result.span_s)}"
    if len(result.pairs) == 1:
        (pair,) = result.pairs
        verb = "agree" if result.agree else "disagree"
        return (
            f"{pair.first} and {pair.second} {verb}: {_apart(pair, unit)} (U at {share}), "
            f"from {known}{_too_wide(result)}."
        )
    if result.agree:
        widest = max(result.pairs, key=lambda pair: pair.expanded or 0.0)
        return (
            f"all {len(result.counters)} counters agree: no pair differs by more than the noise "
            f"of all explains, U at {share} is {_half(widest, unit)} at most; from {known}"
            f"{_too_wide(result)}."
        )
    apart = [pair for pair in result.pairs if pair.agree is False]
    worst = max(apart or result.pairs, key=lambda pair: abs(pair.offset))
    return (
        f"the counters disagree: {how_many(len(apart), 'pair')} of {len(result.pairs)} "
        f"differ{'s' * (len(apart) == 1)} by more than U at {share}; the largest "
        f"difference: {_apart(worst, unit)}; from {known}."
    )


def claim_sentence(claim: TimeBaseClaim, unit: OffsetUnit) -> str:
    """Write what follows for a time base, with the condition under which it is true."""
    base = claim.base
    half = claim.expanded if claim.whole is None else claim.whole
    amount = write_fraction(base.offset, half, unit)
    off = str(amount) if half is not None else amount.bare
    if claim.against is None:
        head = f"{base.counter} disagrees with the others, which agree"
        return f"{head}: its time base is off by {off} against them, {claim.condition}."
    unknown = "; the uncertainty of the reference is not stated and not counted in" * (
        base.u is None
    )
    if claim.seen is False:
        said = f"no offset of its time base is seen, {off}"
    elif claim.seen is None:
        said = f"its time base may be off by {off}, which is not sure yet"
    else:
        way = "fast and it reads low" if base.offset > 0 else "slow and it reads high"
        said = f"its time base is off by {off}: it is {way}"
    return f"{base.counter}: {said}, {claim.condition}{unknown}."


def claim_column(claim: TimeBaseClaim | None, unit: OffsetUnit) -> str:
    """Write what follows for a time base for the column of a table; ``-`` where nothing does."""
    if claim is None:
        return "-"
    half = claim.expanded if claim.whole is None else claim.whole
    amount = write_fraction(claim.base.offset, half, unit)
    off = str(amount) if half is not None else amount.bare
    words = {True: f"off by {off}", False: f"no offset seen, {off}", None: f"not sure yet, {off}"}
    return words[claim.seen]


def shortest_shares(own: Sequence[OwnShare]) -> list[OwnShare]:
    """Return the shares at the shortest averaging time, one a counter."""
    return [one for one in own if one.tau_s == own[0].tau_s]


def own_sentence(own: Sequence[OwnShare], unit: OffsetUnit, *, same_moments: bool) -> str:
    """Write the noise of each counter alone at one averaging time."""
    fine = offset_unit(max(share.deviation or share.high for share in own))
    unit = fine if fine.size < unit.size else unit
    shares = "; ".join(f"{share.counter} {share_words(share, unit)}" for share in own)
    return (
        f"each counter's own noise at {format_duration(own[0].tau_s)}, in {unit.name}, "
        f"if they are independent: {shares}{'' if same_moments else SIGNAL_TOO}."
    )


def share_words(share: OwnShare, unit: OffsetUnit) -> str:
    """Write the own noise of one counter with its limits, without the name of the unit."""
    if share.deviation is None:
        return f"{NOT_RESOLVABLE} (below {in_unit(share.high, unit, 2)})"
    limits = f"{in_unit(share.low, unit, 2)} to {in_unit(share.high, unit, 2)}"
    return f"{in_unit(share.deviation, unit, 2)} ({limits} at {SHARE_COVERAGE * 100:g} %)"


def more_sentence(result: ComparisonResult) -> str:
    """Write what a longer comparison would tell; empty while that is not known."""
    more = result.more
    if more is None:
        return ""
    unit = offset_unit(more.reach)
    reach = f"{in_unit(more.reach, unit)} {unit.name}"
    if more.wait_s is None:
        return NO_MORE[more.limited_by]
    return f"about {format_duration(more.wait_s)} more to tell {reach}."


def chain_sentence(result: ComparisonResult) -> str:
    """Write in short whether the measuring chain is proven, for a list or the last words."""
    sentence = agreement_sentence(result).rstrip(".")
    seen = [claim for claim in result.claims if claim.seen]
    if result.agree:
        return f"chain {'' if result.is_fine_enough else 'not '}proven: {sentence}"
    if result.agree is None or not seen:
        unknown = "" if result.agree is None else "; which time base is off is not known"
        return f"chain not proven: {sentence}{unknown}"
    unit = comparison_unit(result)
    said = []
    for claim in seen:
        half = claim.expanded if claim.whole is None else claim.whole
        off = write_fraction(claim.base.offset, half, unit)
        against = "the others" if claim.against is None else claim.against
        said.append(f"{claim.base.counter}'s time base is off by {off} against {against}")
    return f"chain proven: {'; '.join(said)}"


def _how_many(result: ComparisonResult) -> str:
    return how_many(result.readings, "matched reading")


def _too_wide(result: ComparisonResult) -> str:
    """Write that U of an agreement is too large beside the tolerance; empty where it is not."""
    if not result.agree or result.is_fine_enough or result.tolerance is None:
        return ""
    limit = write_fraction(TOLERANCE_SHARE * result.tolerance).bare.lstrip("+")
    tolerance = write_fraction(result.tolerance).bare.lstrip("+")
    return (
        f"; that proves nothing yet: U is to be {limit} at most, a quarter of the tolerance of "
        f"{tolerance} (common practice: 4 to 1)"
    )


def _apart(pair: ComparedPair, unit: OffsetUnit) -> str:
    amount = write_fraction(pair.offset, pair.expanded, unit)
    return f"{pair.first} less {pair.second} is {amount}"


def _half(pair: ComparedPair, unit: OffsetUnit) -> str:
    return f"{in_unit(pair.expanded, unit)} {unit.name}"


CHAIN_WORDS: Final = ChainWords(
    sentences=comparison_sentences, answer=chain_sentence, more=more_sentence
)
"""What a watch needs to say what its comparisons say."""
