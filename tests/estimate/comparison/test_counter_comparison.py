"""Several counters: their differences, and the offsets of their time bases."""

import math
from collections.abc import Mapping
from fractions import Fraction

import numpy as np
import pytest
from chain_kit import made_pairs
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchwatch.errors import NoReadings
from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.comparison.counter_comparison import (
    Difference,
    against_reference,
    corrected,
    difference_of,
    mean_offset,
    odd_one_out,
    time_base_offset,
)

SMALL = st.floats(-1e-3, 1e-3)


def differences(readings: Mapping[str, FloatArray]) -> tuple[Difference, ...]:
    """Return the difference of every pair of counters that were read at once, a second apart."""
    pairs = (difference_of(pair) for pair in made_pairs(readings))
    return tuple(pair for pair in pairs if pair is not None)


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

    found = {(pair.first, pair.second): pair for pair in differences(readings)}

    main_spare = found["main", "spare"]
    assert main_spare.u is not None
    assert main_spare.readings == 400
    assert main_spare.mean == pytest.approx(5e-9, abs=4 * main_spare.u)
    assert 4e-12 < main_spare.u < 4e-11  # 7e-12 would be white noise alone


def test_time_base_against_the_reference() -> None:
    """With one counter on the reference the others' time bases follow, with both uncertainties."""
    readings = bench()
    pairs = differences(readings)
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
    odd = odd_one_out(differences(bench()))

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

    assert odd_one_out(differences(two)) is None
    assert odd_one_out(differences(all_differ)) is None
    assert odd_one_out(differences(agree)) is None


def test_few_readings() -> None:
    """One or two common readings give a mean and no uncertainty; none at all gives nothing."""
    one = {"main": np.array([1e-9, math.nan]), "spare": np.array([3e-9, 2e-9])}

    (pair,) = differences(one)

    assert pair.mean == pytest.approx(-2e-9)
    assert pair.u is None
    assert pair.half_width() is None
    assert differences({"main": np.array([math.nan]), "spare": np.array([1e-9])}) == ()


@given(shift=st.floats(-1e-6, 1e-6), scale=st.floats(0.1, 10.0))
def test_shift_scale_and_sign(shift: float, scale: float) -> None:
    """A shift of both changes nothing; a factor or sign of both scales mean and u."""
    readings = bench(60)
    plain = differences(readings)

    changed = differences({name: shift - scale * y for name, y in readings.items()})

    for before, after in zip(plain, changed, strict=True):
        assert after.mean == pytest.approx(-scale * before.mean, rel=1e-6, abs=1e-18)
        assert after.u == pytest.approx(scale * (before.u or 0.0), rel=1e-3)
