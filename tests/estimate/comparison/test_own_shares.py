"""The noise of each of three and more counters alone: values, limits, dead time, not resolvable."""

import math
from itertools import combinations

import numpy as np
import pytest
from seed_kit import unseen_seed

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.comparison.matched_pair import CounterReadings, MatchedPair, match_pair
from benchwatch.estimate.comparison.own_shares import own_shares, own_variances
from benchwatch.estimate.stability import variance_ratio


def handbook_noise(seed: int, scale: float) -> FloatArray:
    """Return 1000 numbers of the generator of NIST SP 1065, section 12, mean removed."""
    values = np.empty(1000)
    for place in range(1000):
        values[place] = seed / 2147483647
        seed = 16807 * seed % 2147483647
    return np.asarray(scale * (values - values.mean()))


def pairs_of(
    readings: dict[str, FloatArray], *, interval_s: float = 1.0, gate_s: float | None = 1.0
) -> list[MatchedPair]:
    """Match readings that all counters took at once."""
    counters = [
        CounterReadings(
            name=name,
            time_s=interval_s * np.arange(float(values.size)),
            offset=values,
            own=np.zeros(values.size),
            gate_s=gate_s,
            spacing_s=interval_s,
        )
        for name, values in readings.items()
    ]
    return [match_pair(first, second) for first, second in combinations(counters, 2)]


def test_shares_of_the_handbook_generator() -> None:
    """Three seeds of the SP 1065 generator: the variances of a three-cornered hat (computed)."""
    readings = {
        name: handbook_noise(seed, scale)
        for name, seed, scale in (
            ("main", 1234567890, 1), ("spare", 987654321, 2), ("rack", 192837465, 3),
        )
    }  # fmt: skip

    shares = own_shares(pairs_of(readings))[:3]

    assert [share.counter for share in shares] == ["main", "spare", "rack"]
    assert [(share.deviation or 0.0) ** 2 for share in shares] == pytest.approx(
        [0.0784176404464, 0.378764180093, 0.702182853521], rel=1e-11
    )


def test_a_share_that_does_not_fit_is_not_zero() -> None:
    """Sides of 1, 2 and 0.9: ½(1 + 0.81 - 4) = -1.095, which is no noise and not zero either."""
    squares = {
        frozenset({"a", "b"}): 1.0,
        frozenset({"b", "c"}): 4.0,
        frozenset({"c", "a"}): 0.81,
    }

    assert own_variances(squares, ["a", "b", "c"])["a"] == pytest.approx(-1.095)


@pytest.mark.parametrize("count", [3, 4, 5, 8])
def test_shares_are_separated_again(count: int) -> None:
    """Variances that were summed in pairs come apart exactly, for any number of counters."""
    names = [f"c{k}" for k in range(count)]
    alone = {name: 1.0 + k * k for k, name in enumerate(names)}
    squares = {frozenset(two): alone[two[0]] + alone[two[1]] for two in combinations(names, 2)}

    assert own_variances(squares, names) == pytest.approx(alone)


@pytest.mark.parametrize("count", [3, 5])
def test_limits_hold_the_truth(count: int) -> None:
    """Of 300 made benches with white noise of 1, 2, 3 ..., the 95 % limits hold 90 to 99 %."""
    random = np.random.default_rng(unseen_seed())
    held, made = 0, 0
    for _ in range(300 // count):
        common = np.cumsum(random.normal(0, 5, 400))
        readings = {f"c{k}": common + random.normal(0, k + 1, 400) for k in range(count)}
        for k, share in enumerate(own_shares(pairs_of(readings))[:count]):
            made += 1
            held += (share.low or 0.0) <= k + 1 <= share.high

    assert 0.90 <= held / made <= 0.99


def test_a_quiet_counter_is_not_resolvable_beside_loud_ones() -> None:
    """A counter of a hundredth of the others' noise gets an upper limit and never zero."""
    random = np.random.default_rng(unseen_seed())
    noises = {"quiet": 0.01, "main": 1.0, "spare": 1.0}
    readings = {name: random.normal(0, size, 300) for name, size in noises.items()}

    quiet, main, _ = own_shares(pairs_of(readings))[:3]

    assert quiet.deviation is None
    assert quiet.low is None
    assert 0.05 < quiet.high < 1.0
    assert main.deviation == pytest.approx(1.0, rel=0.2)


def test_dead_time_is_put_right() -> None:
    """Random-walk noise read for a tenth of the time: its variance at the gate is (3r - 1)/2 less.

    NIST TN 1318, B2(r) with r = T/τ; CHECKS: flicker 1.0886097819 at 1.1, 2.7423829986 at 10.
    """
    random = np.random.default_rng(unseen_seed())
    fine = {name: np.cumsum(random.normal(0, 1, (4000, 10)).ravel()) for name in "abc"}
    read = {name: values[::10].copy() for name, values in fine.items()}
    own = {}
    for gate_s in (1.0, 0.1):
        shares = own_shares(pairs_of(read, interval_s=1.0, gate_s=gate_s))[:3]
        own[gate_s] = [(share.deviation or 0.0) ** 2 for share in shares]

    ratios = [a / b for a, b in zip(own[1.0], own[0.1], strict=True)]

    assert ratios == pytest.approx([(3 * 10 - 1) / 2] * 3)
    assert variance_ratio(-1, 1, 1.1) == pytest.approx(1.0886097819, abs=1e-10)
    assert variance_ratio(-1, 1, 10.0) == pytest.approx(2.7423829986, abs=1e-10)


def test_two_counters_have_no_shares() -> None:
    """Two variances of one difference can't be told apart."""
    random = np.random.default_rng(1)

    assert own_shares(pairs_of({name: random.normal(size=99) for name in "ab"})) == ()


def test_shares_do_not_hang_on_the_unit() -> None:
    """A factor scales deviation and limits alike, down to real offsets of 1e-11."""
    random = np.random.default_rng(unseen_seed())
    readings = {name: random.normal(0, k + 1, 200) for k, name in enumerate("abc")}
    plain = own_shares(pairs_of(readings))
    scaled = own_shares(pairs_of({name: 1e-11 * values for name, values in readings.items()}))

    for one, other in zip(plain, scaled, strict=True):
        assert other.high == pytest.approx(1e-11 * one.high, rel=1e-6)
        assert (one.deviation is None) == (other.deviation is None)
        assert math.isfinite(one.edf)
