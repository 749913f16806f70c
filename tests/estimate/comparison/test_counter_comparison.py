"""Several counters: the offsets of their time bases, and the three-cornered hat."""

import math
from fractions import Fraction

import allantools
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchwatch.errors import NoReadings, UsageError
from benchwatch.estimate.comparison.counter_comparison import (
    against_reference,
    corrected,
    differences,
    hat_rows,
    mean_offset,
    odd_one_out,
    three_cornered_hat,
    time_base_offset,
)

SMALL = st.floats(-1e-3, 1e-3)


def handbook_noise(seed: int, scale: float) -> NDArray[np.float64]:
    """Return 1000 numbers of the generator of NIST SP 1065, section 12, mean removed."""
    values = np.empty(1000)
    n = seed
    for place in range(1000):
        values[place] = n / 2147483647
        n = 16807 * n % 2147483647
    return scale * (values - values.mean())


def test_hat_of_right_triangle() -> None:
    """σ of 5, √41, √34 between pairs come from 3, 4, 5 alone: 9+16, 16+25, 25+9."""
    parts = three_cornered_hat(25.0, 41.0, 34.0)

    assert [math.sqrt(part or 0.0) for part in parts] == pytest.approx([3.0, 4.0, 5.0])


def test_hat_that_does_not_fit() -> None:
    """AB² = 1, BC² = 2, CA² = 0.9: A would have -0.05; it is not resolvable, which is not zero."""
    a, b, c = three_cornered_hat(1.0, 2.0, 0.9)

    assert a is None
    assert b == pytest.approx(1.05)
    assert c == pytest.approx(0.95)


def test_hat_of_one_large_side() -> None:
    """σ of 1, 2 and 0.9 between pairs: A would have ½(1 + 0.81 - 4) = -1.095, and C 1.905."""
    a, b, c = three_cornered_hat(1.0, 4.0, 0.81)

    assert a is None
    assert b == pytest.approx(0.5 * (1.0 + 4.0 - 0.81))
    assert c == pytest.approx(0.5 * (4.0 + 0.81 - 1.0))


@pytest.mark.parametrize("spoil", [math.nan, math.inf, 0.0])
def test_hat_without_numbers(spoil: float) -> None:
    """Unknown or infinite variances resolve nothing, nor do three of zero."""
    assert three_cornered_hat(spoil, spoil, spoil) == (None, None, None)


def test_hat_of_the_handbook_generator() -> None:
    """OADEV² of differences of three seeds of the SP 1065 generator (computed from allantools)."""
    a, b, c = (
        handbook_noise(seed, scale)
        for seed, scale in ((1234567890, 1), (987654321, 2), (192837465, 3))
    )
    squares = [
        allantools.oadev(x - y, rate=1.0, data_type="freq", taus=[1])[1][0] ** 2
        for x, y in ((a, b), (b, c), (c, a))
    ]

    parts = three_cornered_hat(*squares)
    (row, *_) = hat_rows({"main": a, "spare": b, "rack": c}, 1.0)

    assert [(alone or 0.0) ** 2 for alone in row.deviations] == pytest.approx(parts, rel=1e-11)
    assert squares == pytest.approx([0.457181820539, 1.08094703361, 0.780600493968], rel=1e-11)
    assert parts == pytest.approx([0.0784176404464, 0.378764180093, 0.702182853521], rel=1e-11)


@given(
    sides=st.tuples(*[st.floats(0.01, 10.0)] * 3), order=st.permutations([0, 1, 2])
)  # fmt: skip
def test_hat_undoes_the_sums(sides: tuple[float, ...], order: list[int]) -> None:
    """Variances that were summed in pairs are separated again, in any order of the counters."""
    a, b, c = (sides[place] for place in order)

    parts = three_cornered_hat(a + b, b + c, c + a)

    assert parts == pytest.approx((a, b, c), rel=1e-9, abs=1e-12)


@given(true=SMALL, time_base=SMALL)
def test_correction_is_exact(true: float, time_base: float) -> None:
    """Read = true/(1 + y) in exact fractions is inverted to the last bits of a float."""
    read = (1 + Fraction(true)) / (1 + Fraction(time_base)) - 1

    assert corrected(float(read), time_base) == pytest.approx(true, rel=1e-15, abs=1e-18)


@given(true=SMALL, time_base=SMALL, trusted=SMALL)
def test_time_base_is_found_exactly(true: float, time_base: float, trusted: float) -> None:
    """Two counters on one signal give the offset of one time base from that of the other."""
    read = (1 + Fraction(true)) / (1 + Fraction(time_base)) - 1
    other = (1 + Fraction(true)) / (1 + Fraction(trusted)) - 1

    found = time_base_offset(float(read), float(other), trusted_offset=trusted)

    assert found == pytest.approx(time_base, rel=1e-14, abs=1e-18)


def test_fast_time_base_reads_low() -> None:
    """A time base fast by 1 ppm makes an exact 10 MHz read 10 Hz low."""
    assert time_base_offset(-1e-6 / (1 + 1e-6), 0.0) == pytest.approx(1e-6, rel=1e-12)
    assert corrected(-1e-6, 1e-6) == pytest.approx(0.0, abs=2e-12)


def bench(n: int = 400, seed: int = 7) -> dict[str, NDArray[np.float64]]:
    """Three counters read one drifting signal; ``spare``'s time base is fast by 5e-9."""
    random = np.random.default_rng(seed)
    signal = 2e-9 + 1e-12 * np.arange(n)
    return {
        name: (1 + signal) / (1 + time_base) - 1 + random.normal(0, 1e-10, n)
        for name, time_base in (("main", 0.0), ("spare", 5e-9), ("rack", 0.0))
    }


def test_the_signal_drops_out() -> None:
    """The signal's motion cancels: the difference is that of the time bases, within u."""
    readings = bench()

    found = {(pair.first, pair.second): pair for pair in differences(readings, 1.0)}

    main_spare = found["main", "spare"]
    assert main_spare.u is not None
    assert main_spare.readings == 400
    assert main_spare.mean == pytest.approx(5e-9, abs=4 * main_spare.u)
    assert 4e-12 < main_spare.u < 4e-11  # 7e-12 would be white noise alone


def test_time_base_against_the_reference() -> None:
    """With one counter on the reference the others' time bases follow, with both uncertainties."""
    readings = bench()
    pairs = differences(readings, 1.0)
    read = mean_offset(readings["main"])

    spare, rack = against_reference(pairs, "main", read, u_reference=3e-11)

    assert (spare.counter, rack.counter) == ("spare", "rack")
    assert spare.u is not None
    assert pairs[0].u is not None
    assert spare.u == pytest.approx(math.hypot(3e-11, pairs[0].u))
    assert spare.offset == pytest.approx(5e-9, abs=4 * spare.u)
    assert against_reference(pairs, "main", read)[0].u is None


def test_mean_of_what_one_counter_reads() -> None:
    """Missing readings are left out, not taken for zero; without any there is no mean."""
    readings = np.array([math.nan, 1e-9, 2e-9, math.nan, 6e-9])

    assert mean_offset(readings) == pytest.approx(3e-9, rel=1e-12)
    with pytest.raises(NoReadings, match="no reading in common"):
        mean_offset(readings[[0, 3]])


def test_which_one_is_off() -> None:
    """Two agree and one does not: that one is named, with the offset of its time base."""
    odd = odd_one_out(differences(bench(), 1.0))

    assert odd is not None
    assert odd.counter == "spare"
    assert odd.u is not None
    assert odd.offset == pytest.approx(5e-9, abs=4 * odd.u)


def test_no_counter_is_named_without_a_majority() -> None:
    """Two counters that differ, three that all differ, or three that agree."""
    readings = bench()
    two = {name: readings[name] for name in ("main", "spare")}
    all_differ = readings | {"rack": readings["rack"] + 9e-9}
    agree = readings | {"spare": readings["spare"] + 5e-9}

    assert odd_one_out(differences(two, 1.0)) is None
    assert odd_one_out(differences(all_differ, 1.0)) is None
    assert odd_one_out(differences(agree, 1.0)) is None


def test_few_readings() -> None:
    """One or two common readings give a mean and no uncertainty; none at all is an error."""
    one = {"main": np.array([1e-9, math.nan]), "spare": np.array([3e-9, 2e-9])}

    (pair,) = differences(one, 1.0)

    assert pair.mean == pytest.approx(-2e-9)
    assert pair.u is None
    assert pair.half_width() is None
    with pytest.raises(NoReadings, match="'main' and 'spare'"):
        differences({"main": np.array([math.nan]), "spare": np.array([1e-9])}, 1.0)


def test_unmatched_readings_are_refused() -> None:
    """Arrays of unequal length."""
    with pytest.raises(UsageError, match="matched"):
        differences({"main": np.zeros(3), "spare": np.zeros(4)}, 1.0)


@given(shift=st.floats(-1e-6, 1e-6), scale=st.floats(0.1, 10.0))
def test_shift_scale_and_sign(shift: float, scale: float) -> None:
    """A shift of both changes nothing; a factor or sign of both scales mean and u."""
    readings = bench(60)
    plain = differences(readings, 1.0)

    changed = differences({name: shift - scale * y for name, y in readings.items()}, 1.0)

    for before, after in zip(plain, changed, strict=True):
        assert after.mean == pytest.approx(-scale * before.mean, rel=1e-6, abs=1e-18)
        assert after.u == pytest.approx(scale * (before.u or 0.0), rel=1e-3)


def test_hat_at_octaves() -> None:
    """The hat of independent white time bases finds each one's noise; two counters are refused.

    Sampling alone leaves the quietest deviation uncertain to 4 % at 1 reading and to 8 % at 4;
    three times that is allowed.
    """
    random = np.random.default_rng(21)
    noises = {"main": 2e-10, "spare": 2.5e-10, "rack": 3e-10}
    common = np.cumsum(random.normal(0, 1e-9, 4000))
    readings = {name: common + random.normal(0, size, 4000) for name, size in noises.items()}

    rows = hat_rows(readings, 2.0)

    assert [row.tau_s for row in rows[:3]] == [2.0, 4.0, 8.0]
    assert rows[0].deviations == pytest.approx(tuple(noises.values()), rel=0.12)
    assert rows[2].deviations == pytest.approx([size / 2 for size in noises.values()], rel=0.24)
    with pytest.raises(UsageError, match="three counters, not 2"):
        hat_rows({"main": common, "spare": common}, 1.0)


def test_hat_of_hardly_any_readings() -> None:
    """A handful of readings gives no rows."""
    few = np.arange(6.0)

    assert hat_rows({"main": few, "spare": few**2, "rack": few**3}, 1.0) == ()
