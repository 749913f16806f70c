"""What a comparison says in words: agreement, claims with their conditions, own shares, chain."""

from dataclasses import replace

import numpy as np
import pytest
from chain_kit import made_pairs, made_result

from benchwatch.estimate.comparison.comparison_result import (
    ComparedPair,
    ComparisonResult,
    MoreToTell,
    compare_counters,
)
from benchwatch.report.comparison_words import (
    agreement_sentence,
    chain_sentence,
    comparison_sentences,
    more_sentence,
)


def pair(offset: float, u: float = 1e-11) -> ComparedPair:
    """Return a difference with exactly known u."""
    half = 1.96 * u
    return ComparedPair(
        first="main", second="spare", offset=offset, u=u, dof=float("inf"), expanded=half,
        readings=120, agree=abs(offset) <= half,
    )  # fmt: skip


def result(*pairs: ComparedPair) -> ComparisonResult:
    """Return a comparison of two counters that tell nothing of their time bases."""
    return ComparisonResult(
        counters=("main", "spare"),
        pairs=pairs,
        time_bases=(("main", "unknown"), ("spare", "unknown")),
        readings=120,
        span_s=119.0,
    )


@pytest.mark.parametrize(
    ("pairs", "begins"),
    [
        ((pair(1e-11),), "main and spare agree: main less spare is "),
        ((pair(9e-11),), "main and spare disagree: main less spare is "),
        ((pair(2.4e-11),), "not sure yet whether main and spare agree: main less spare is "),
        ((), "not known yet whether main and spare agree"),
    ],
)
def test_agreement_in_words(pairs: tuple[ComparedPair, ...], begins: str) -> None:
    """Yes within U, no beyond what noise does once in a thousand, else not sure."""
    assert agreement_sentence(result(*pairs)).startswith(begins)


@pytest.mark.parametrize(("readings", "agree"), [(11, None), (29, None), (30, False)])
def test_few_readings_deny_only_what_is_far_apart(readings: int, agree: bool | None) -> None:
    """A difference of 4.5 u is no answer yet from a few readings, and one of 9 u is."""
    near = result(replace(pair(4.5e-11), readings=readings))
    far = result(replace(pair(9e-11), readings=readings))

    assert near.agree is agree
    assert far.agree is False


def test_own_noise_says_where_the_signal_is_in_it() -> None:
    """Gates that are not the same moments leave noise of the signal in what each counter shows."""
    apart = made_result(dict.fromkeys(("main", "spare", "third"), (0.0, "unknown")))

    together, said = (
        comparison_sentences(replace(apart, same_moments=at_once))[-1] for at_once in (True, False)
    )
    assert "noise of the signal" not in together
    assert said.endswith("noise of the signal between them is in it too.")


@pytest.mark.parametrize(("tolerance", "proven"), [(None, True), (1e-10, True), (6e-11, False)])
def test_an_agreement_proves_nothing_where_it_is_wide(
    tolerance: float | None, *, proven: bool
) -> None:
    """U of 20 parts in 10^12 is within a quarter of 0.1 ppb, and not of 0.06 ppb."""
    said = chain_sentence(replace(result(pair(1e-11)), tolerance=tolerance))

    assert said.startswith("chain proven: " if proven else "chain not proven: ")
    assert ("that proves nothing yet: U is to be" in said) is not proven


def test_a_claim_says_way_amount_condition_and_what_is_not_counted() -> None:
    """A slow time base reads high; the reference's u is counted in, or said to be missing."""
    known, unknown = (
        comparison_sentences(
            made_result({"main": (0.0, "external"), "spare": (-2e-7, "internal")}, u_reference=u)
        )[1]
        for u in (5e-12, None)
    )

    assert known.startswith("spare: its time base is off by -200.0")
    assert "it is slow and it reads high" in known
    assert known.endswith("if the external time base that main ran on is the reference.")
    assert "the uncertainty of the reference is not stated" in unknown


def test_two_that_agree_on_the_reference_are_said_to_be_sound() -> None:
    """What follows, and what can't show; nothing that reads like a refusal."""
    sentences = comparison_sentences(
        made_result({"main": (0.0, "external"), "spare": (0.0, "external")})
    )

    assert sentences[1] == (
        "main and spare both ran on an external time base and agree: the counters and their "
        "cables are sound within U; an error of the reference itself would not show."
    )


def test_an_offset_that_is_not_seen_is_not_named() -> None:
    """Of an equal time base it is said that none is seen."""
    sentences = comparison_sentences(
        made_result({"main": (0.0, "external"), "spare": (0.0, "internal")})
    )

    assert "spare: no offset of its time base is seen" in sentences[1]


def test_a_share_that_is_not_resolvable_is_never_zero() -> None:
    """A quiet counter beside loud ones has an upper limit."""
    random = np.random.default_rng(5)
    read = {
        name: random.normal(0, sigma, 300)
        for name, sigma in (("quiet", 1e-12), ("main", 1e-10), ("spare", 1e-10))
    }
    found = compare_counters(made_pairs(read), dict.fromkeys(read, "unknown"))

    said = comparison_sentences(found)[-1]

    assert "each counter's own noise at 1 s" in said
    assert "quiet not resolvable (below " in said
    assert " 0 " not in said


@pytest.mark.parametrize(
    ("found", "begins"),
    [
        (result(pair(1e-11)), "chain proven: main and spare agree"),
        (result(pair(9e-11)), "chain not proven: main and spare disagree"),
        (result(), "chain not proven: not known yet"),
        (
            made_result({"main": (0.0, "external"), "spare": (-2e-7, "internal")}),
            "chain proven: spare's time base is off by -200.0",
        ),
    ],
    ids=["agree", "disagree", "unknown", "one off"],
)
def test_the_chain_in_short(found: ComparisonResult, begins: str) -> None:
    """Proven where all agree, or where it is known whose time base is off by how much."""
    assert chain_sentence(found).startswith(begins)


def test_what_more_readings_would_tell() -> None:
    """A time and an amount, or that it gets no better; nothing while it is not known."""
    short = result(pair(1e-11))

    assert more_sentence(short) == ""
    assert (
        more_sentence(replace(short, more=MoreToTell(reach=1e-10, wait_s=180.0)))
        == "about 3 min more to tell 0.1 ppb."
    )
    for limited_by, word in (("noise", "wanders"), ("motion", "moves"), ("digits", "digits")):
        more = MoreToTell(reach=1e-10, wait_s=None, limited_by=limited_by)  # type: ignore[arg-type]
        assert word in more_sentence(replace(short, more=more))
