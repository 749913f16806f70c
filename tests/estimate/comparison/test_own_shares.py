"""The noise of each of three and more counters alone: values, limits, dead time, not resolvable."""

import math
from itertools import combinations

import allantools
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
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
    """OADEV² of differences of three seeds of the SP 1065 generator (computed from allantools)."""
    readings = {
        name: handbook_noise(seed, scale)
        for name, seed, scale in (
            ("main", 1234567890, 1), ("spare", 987654321, 2), ("rack", 192837465, 3),
        )
    }  # fmt: skip

    a, b, c = readings.values()
    squares = [
        allantools.oadev(x - y, rate=1.0, data_type="freq", taus=[1])[1][0] ** 2
        for x, y in ((a, b), (b, c), (c, a))
    ]

    shares = own_shares(pairs_of(readings))[:3]

    assert squares == pytest.approx([0.457181820539, 1.08094703361, 0.780600493968], rel=1e-11)
    assert hat(*squares) == pytest.approx(
        [0.0784176404464, 0.378764180093, 0.702182853521], rel=1e-11
    )
    assert [share.counter for share in shares] == ["main", "spare", "rack"]
    assert [(share.deviation or 0.0) ** 2 for share in shares] == pytest.approx(
        [0.0784176404464, 0.378764180093, 0.702182853521], rel=1e-11
    )


def hat(ab: float, bc: float, ca: float) -> list[float]:
    """Return the variances of A, B and C alone by those of their differences."""
    squares = {frozenset("ab"): ab, frozenset("bc"): bc, frozenset("ca"): ca}
    return list(own_variances(squares, ["a", "b", "c"]).values())


def test_hat_of_right_triangle() -> None:
    """σ of 5, √41, √34 between pairs come from 3, 4, 5 alone: 9+16, 16+25, 25+9."""
    parts = hat(25.0, 41.0, 34.0)

    assert [math.sqrt(part) for part in parts] == pytest.approx([3.0, 4.0, 5.0])


def test_hat_that_does_not_fit() -> None:
    """AB² = 1, BC² = 2, CA² = 0.9: A would have -0.05, which is no noise and not zero either."""
    assert hat(1.0, 2.0, 0.9) == pytest.approx([-0.05, 1.05, 0.95])


def test_hat_of_one_large_side() -> None:
    """σ of 1, 2 and 0.9 between pairs: A would have ½(1 + 0.81 - 4) = -1.095, and C 1.905."""
    a, b, c = hat(1.0, 4.0, 0.81)

    assert a == pytest.approx(-1.095)
    assert b == pytest.approx(0.5 * (1.0 + 4.0 - 0.81))
    assert c == pytest.approx(0.5 * (4.0 + 0.81 - 1.0))


@pytest.mark.parametrize("spoil", [math.nan, math.inf, 0.0])
def test_hat_without_numbers(spoil: float) -> None:
    """Unknown or infinite readings resolve nothing, nor do three counters that read the same."""
    shares = own_shares(pairs_of({name: np.full(99, spoil) for name in "abc"}))

    assert [share.deviation for share in shares[:3]] in ([], [None, None, None])
    assert bool(shares) == (spoil == 0.0)


@given(
    sides=st.tuples(*[st.floats(0.01, 10.0)] * 3), order=st.permutations([0, 1, 2])
)  # fmt: skip
def test_hat_undoes_the_sums(sides: tuple[float, ...], order: list[int]) -> None:
    """Variances that were summed in pairs are separated again, in any order of the counters."""
    a, b, c = (sides[place] for place in order)

    assert hat(a + b, b + c, c + a) == pytest.approx((a, b, c), rel=1e-9, abs=1e-12)


def test_hat_at_octaves() -> None:
    """The hat of independent white time bases finds each one's noise.

    Sampling alone leaves the quietest deviation uncertain to 4 % at 1 reading and to 8 % at 4;
    three times that is allowed.
    """
    random = np.random.default_rng(21)
    noises = {"main": 2e-10, "spare": 2.5e-10, "rack": 3e-10}
    common = np.cumsum(random.normal(0, 1e-9, 4000))
    readings = {name: common + random.normal(0, size, 4000) for name, size in noises.items()}

    shares = own_shares(pairs_of(readings, interval_s=2.0, gate_s=2.0))
    found = {share.tau_s: [] for share in shares}  # type: dict[float, list[float]]
    for share in shares:
        found[share.tau_s].append(share.deviation or 0.0)

    assert list(found)[:3] == [2.0, 4.0, 8.0]
    assert found[2.0] == pytest.approx(list(noises.values()), rel=0.12)
    assert found[8.0] == pytest.approx([size / 2 for size in noises.values()], rel=0.24)


def test_hat_of_hardly_any_readings() -> None:
    """A handful of readings gives no shares."""
    few = np.arange(6.0)

    assert own_shares(pairs_of({"main": few, "spare": few**2, "rack": few**3})) == ()


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

    NIST TN 1318, B2(r) with r = T/τ, from memory; computed for flicker: 1.0886097819 at 1.1,
    2.7423829986 at 10.
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
