"""The counting of the simulated counter: resolution, time base, bad readings."""

from decimal import Decimal

import numpy as np
import pytest
from simulated_kit import a_counting

from benchwatch_simulators.counters.edge_counter import CountingSpec
from benchwatch_simulators.oscillator.oscillator import OscillatorSpec


def offsets(counting, gate_s, count, nominal=10_000_000):
    """Return the offsets of contiguous readings."""
    readings = (counting.count(i * gate_s, gate_s) for i in range(count))
    return np.array([float(r - nominal) / nominal for r in readings])


def test_resolution_is_t_res_over_gate():
    """100 ps and 1 s make 1e-10 (common practice, no source): readings lie on that grid."""
    counting = a_counting(OscillatorSpec(landing=2.34e-9), t_res_s=1e-10)

    steps = offsets(counting, 1.0, 200) / 1e-10

    assert steps == pytest.approx(np.round(steps), abs=1e-6)
    assert set(np.round(steps)) == {23, 24}


def test_quantisation_is_right_in_the_mean():
    """The rounding of ±1 count is unbiased, so long means are right."""
    counting = a_counting(OscillatorSpec(landing=2.34e-9), t_res_s=1e-10)

    mean = offsets(counting, 1.0, 4000).mean()

    # Spread of one reading: sqrt(0.4 * 0.6) of a step; four standard errors of 4000.
    assert mean == pytest.approx(2.34e-9, abs=4 * 0.49e-10 / 4000**0.5)


@pytest.mark.parametrize(("gate_s", "exponent"), [(1.0, -4), (0.25, -4), (0.01, -2), (10.0, -5)])
def test_digits_end_where_resolution_does(gate_s, exponent):
    """The last digit is no larger than the resolution, and larger than a tenth of it."""
    reading = a_counting(t_res_s=1e-11).count(0.0, gate_s)

    assert reading.as_tuple().exponent == exponent


def test_fast_time_base_reads_low():
    """Read = true/(1 + y_tb): a time base 1 ppm fast reads 1 ppm low (definition)."""
    counting = a_counting(internal=OscillatorSpec(landing=1e-6), reference=False, t_res_s=1e-13)

    reading = counting.count(0.0, 1.0)

    assert float(reading) == pytest.approx(10_000_000 / (1 + 1e-6), abs=1e-5)


def test_reference_takes_over_from_the_time_base():
    """With the reference the internal offset has no effect; without it, it has."""
    counting = a_counting(internal=OscillatorSpec(landing=1e-6), t_res_s=1e-12)

    with_it = counting.count(0.0, 1.0)
    counting.reference_present = False
    without = counting.count(1.0, 1.0)

    assert abs(float(with_it) - 1e7) < 1e-4
    assert float(without) == pytest.approx(1e7 - 10, abs=1e-3)


def test_one_in_a_hundred_is_wild():
    """Wild readings are as frequent and as far off as specified, on both sides."""
    counting = a_counting(t_res_s=1e-13, wild=0.01, wild_least=3e-9, wild_most=3e-8)

    y = offsets(counting, 0.1, 20000)
    wild = y[np.abs(y) > 1e-9]

    assert 140 < len(wild) < 260  # 200 expected, four standard deviations are 56
    assert np.abs(wild).min() >= 2.9e-9
    assert np.abs(wild).max() <= 3.1e-8
    assert (wild > 0).any()
    assert (wild < 0).any()


def test_no_signal_and_overrange():
    """Without a signal there is no number; above its range the reading is infinite."""
    mute = a_counting()
    mute.signal_present = False
    fast = a_counting(maximum_hz=Decimal(5_000_000))

    assert mute.count(0.0, 1.0) is None
    assert fast.count(0.0, 1.0) == Decimal("Infinity")


def test_no_gate_reads_at_once():
    """Without a gate a reading takes no time, even at power-on."""
    counting = a_counting(OscillatorSpec(landing=5e-9))

    assert float(counting.count(0.0, 0.0)) == pytest.approx(1e7 + 0.05, abs=0.021)


def test_same_seed_same_readings():
    """The same seed and the same gates give the same readings, digit for digit."""
    noisy = OscillatorSpec(white_fm=5e-11, flicker_fm=1e-11)

    first, second = (
        [a_counting(noisy, seed=seed).count(t, 0.25) for t in np.arange(0, 20, 0.25).tolist()]
        for seed in (4, 4)
    )

    assert first == second
    assert len(set(first)) > 5


def test_defaults_are_those_of_a_good_counter():
    """10 ps: 4e-11 at a quarter second, inside what the demo needs."""
    assert CountingSpec().t_res_s / 0.25 == pytest.approx(4e-11)
