"""Comparisons of made benches: intervals, agreement, which time base is named, what is foretold."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from chain_kit import as_read, made_pairs, made_result
from made_pairs import NOISES, compared_made, made_bench
from seed_kit import unseen_seed

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.comparison.comparison_result import compare_counters
from benchwatch.estimate.comparison.counter_comparison import difference_of
from benchwatch.estimate.comparison.pair_history import MOST_ROWS, PairHistory
from benchwatch.estimate.comparison.time_base_claims import NamedReference

pytestmark = pytest.mark.long


def test_an_interval_holds_the_truth() -> None:
    """Of 300 made pairs, a third each of white, white and flicker, random walk: 93 to 97 %."""
    random = np.random.default_rng(unseen_seed())

    held = [compared_made(noise, random).held for noise in NOISES for _ in range(100)]

    assert 0.93 <= np.mean(held) <= 0.97


def test_an_interval_holds_it_between_readings_too() -> None:
    """White noise, the second counter read 0.4 s later: of 100 pairs, 90 % and more."""
    random = np.random.default_rng(unseen_seed())

    assert np.mean([compared_made("white", random, late_s=0.4).held for _ in range(100)]) >= 0.9


@pytest.mark.parametrize("counters", [2, 3, 4, 5])
def test_the_right_time_base_is_named(counters: int) -> None:
    """Of 80 made benches, half of them with none off: the right one in 95 %, a wrong one never."""
    random = np.random.default_rng(unseen_seed())
    off = [made_bench(random, counters=counters) for _ in range(40)]
    even = [made_bench(random, counters=counters, is_off=False) for _ in range(40)]

    assert np.mean([one.named == {one.off} for one in off]) >= 0.95
    assert not any(one.named - {one.off} for one in (*off, *even))


def test_one_on_the_reference_tells_the_others_time_base() -> None:
    """Known with the noise of the comparison and the reference's own uncertainty."""
    result = made_result({"main": (0.0, "external"), "spare": (-2e-7, "internal")})
    (claim,) = result.claims

    assert (claim.base.counter, claim.against, claim.seen) == ("spare", "main", True)
    assert claim.base.offset == pytest.approx(-2e-7, abs=1e-10)
    assert claim.base.u == pytest.approx(math.hypot(claim.u_apart or 0.0, 5e-12))
    assert claim.whole is not None
    assert claim.expanded is not None
    assert claim.whole > claim.expanded
    assert result.agree is False


def test_without_a_reference_only_the_difference_is_known() -> None:
    """Of two counters on their own oscillators no time base is named, and the reason is said."""
    result = made_result({"main": (0.0, "internal"), "spare": (5e-9, "internal")})

    assert result.agree is False
    assert result.claims == ()
    assert result.refused == (
        "Both ran on their own oscillators: only differences of time bases are known.",
    )


def test_two_on_the_reference_that_disagree_prove_nothing() -> None:
    """At most one of them is on the reference: a third one on its own can't be told about."""
    result = made_result(
        {"main": (0.0, "external"), "spare": (5e-9, "external"), "rack": (9e-9, "internal")}
    )

    assert result.claims == ()
    assert "main and spare ran on an external time base and disagree" in result.refused[0]


def test_equal_counters_agree_and_none_is_named() -> None:
    """Five counters on one time base: all agree, and no offset is seen."""
    result = made_result({f"c{k}": (0.0, "unknown") for k in range(5)})

    assert result.agree is True
    assert len(result.pairs) == 10
    assert not [claim for claim in result.claims if claim.seen]
    assert {share.counter for share in result.own} == {f"c{k}" for k in range(5)}


def test_the_uncertainty_of_a_reference_that_nobody_stated_is_not_made_up() -> None:
    """The claim has the u of the comparison, and none of its own."""
    result = made_result(
        {"main": (0.0, "external"), "spare": (-2e-7, "internal")}, u_reference=None
    )

    assert result.claims[0].base.u is None
    assert result.claims[0].whole is None
    assert result.claims[0].expanded is not None


def test_what_a_longer_comparison_tells() -> None:
    """White noise: half the U takes about four times as long; a walk does not get any better."""
    random = np.random.default_rng(unseen_seed())
    white = {name: random.normal(0, 1e-10, 900) for name in ("main", "spare")}
    walk = {"main": np.zeros(900), "spare": np.cumsum(random.normal(0, 1e-10, 900))}

    soon, never = (
        compare_counters(made_pairs(read), dict.fromkeys(read, "unknown")).more
        for read in (white, walk)
    )

    assert soon is not None
    assert soon.wait_s is not None
    assert 900 < soon.wait_s < 900 * 40
    assert never is not None
    assert never.wait_s is None


def test_a_comparison_is_strict_json() -> None:
    """All its values can be written, and nothing is nan."""
    result = made_result({"main": (0.0, "external"), "spare": (-2e-7, "internal")})
    values = json.loads(json.dumps(result.as_dict(), allow_nan=False))

    assert values["counters"] == ["main", "spare"]
    assert values["time_bases"] == {"main": "external", "spare": "internal"}
    assert values["pairs"][0]["agree"] is False
    assert values["claims"][0]["offset"] == pytest.approx(-2e-7, abs=1e-10)


def fed(read: dict[str, FloatArray], step: int) -> PairHistory:
    """Feed readings in steps, as they come."""
    (whole,) = made_pairs(read)
    history = PairHistory()
    for begin in range(0, whole.time_s.size, step):
        history.add(whole.rows(slice(begin, begin + step)))
    return history


def test_a_night_is_held_in_bounded_memory() -> None:
    """60 000 readings: a few thousand blocks, the same mean, all readings counted."""
    random = np.random.default_rng(unseen_seed())
    read = {
        "main": random.normal(0, 1e-10, 60_000),
        "spare": as_read(np.zeros(60_000), 3e-10) + random.normal(0, 1e-10, 60_000),
    }
    pair = fed(read, 700).pair()
    assert pair is not None

    found = difference_of(pair)

    assert pair.time_s.size <= 2 * MOST_ROWS
    assert found is not None
    assert found.readings == 60_000
    assert found.mean == pytest.approx(float(np.mean(read["main"] - read["spare"])), rel=1e-9)
    assert found.mean == pytest.approx(3e-10, abs=5 * (found.u or 0.0))


def test_few_readings_are_held_one_by_one() -> None:
    """What is fed in steps is the same as what is matched at once, to the last bit."""
    random = np.random.default_rng(unseen_seed())
    read = {name: random.normal(0, 1e-10, 1000) for name in ("main", "spare")}
    (whole,) = made_pairs(read)
    pair = fed(read, 37).pair()

    assert pair is not None
    assert np.array_equal(pair.apart, whole.apart)
    assert pair.counts is None


def test_a_named_reference_goes_before_what_counters_tell() -> None:
    """The operator may name any counter that did not run on its own oscillator."""
    random = np.random.default_rng(unseen_seed())
    read = {"main": random.normal(0, 1e-10, 99), "spare": 4e-9 + random.normal(0, 1e-10, 99)}

    named = compare_counters(
        made_pairs(read),
        {"main": "unknown", "spare": "unknown"},
        NamedReference(counter="spare", u=0.0),
    )

    assert [(one.base.counter, one.against) for one in named.claims] == [("main", "spare")]
    assert named.claims[0].base.offset == pytest.approx(4e-9, abs=1e-10)


def test_a_warm_up_before_does_not_spoil_what_is_compared_once_it_stands() -> None:
    """Half of 1 600 readings are of an oven that comes in by 1 ppm: U is that of the other half."""
    rng = np.random.default_rng(5)
    signal = 1e-6 * np.exp(-np.arange(1600) / 60.0)
    read = {name: signal + 1e-10 * rng.standard_normal(1600) for name in ("main", "spare")}

    whole = compare_counters(made_pairs(read, late_s=0.3), dict.fromkeys(read, "external"))
    still = {name: offsets[800:] for name, offsets in read.items()}
    half = compare_counters(made_pairs(still, late_s=0.3), dict.fromkeys(read, "external"))

    assert whole.widest is not None
    assert half.widest is not None
    assert whole.widest < 2.0 * half.widest
    assert whole.agree


def test_a_difference_is_of_what_was_read_since_a_change_of_time_base() -> None:
    """One ran on its own oscillator, 200 ppb slow, for the first half: no mean of both halves."""
    rng = np.random.default_rng(6)
    read = {name: 1e-10 * rng.standard_normal(400) for name in ("main", "spare")}
    read["spare"][:200] += 2e-7
    (pair,) = made_pairs(read)
    own = np.where(np.arange(pair.time_s.size) < 200, 1.0, 0.0)

    found = compare_counters(
        [replace(pair, second_own=own)], {"main": "external", "spare": "changing"}
    )

    assert found.readings == 200
    assert abs(found.pairs[0].offset) < 5e-11
    assert found.claims[0].base.offset == pytest.approx(-2e-7, abs=1e-10)
