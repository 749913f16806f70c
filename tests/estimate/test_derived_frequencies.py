"""An offset at other frequencies: facts of the trade and its arithmetic."""

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.errors import UsageError
from benchwatch.estimate.derived_frequencies import (
    beat_period_s,
    elsewhere,
    multiplication_db,
    seconds_per_day,
)
from benchwatch.quantity import difference

OFFSETS = st.floats(-1e-3, 1e-3).filter(lambda y: y == 0 or abs(y) > 1e-16)
FREQUENCIES = st.floats(1.0, 1e11)


def test_ten_times_the_frequency() -> None:
    """24 mHz at 10 MHz is 240 mHz at 100 MHz and the same 2.4 ppb (common practice, no source)."""
    here, there = elsewhere(2.4e-9, 10e6, [10e6, 100e6], u=1e-10)

    assert here.offset_hz == pytest.approx(0.024)
    assert there.offset_hz == pytest.approx(0.240)
    assert there.u_hz == pytest.approx(0.010)
    assert (here.offset, here.u) == (there.offset, there.u) == (2.4e-9, 1e-10)
    assert there.factor == 10.0


def test_phase_noise_of_multiplication() -> None:
    """Times 10 adds 20 dB, halving takes 6.0206 dB off (20·log10 N, common practice)."""
    assert multiplication_db(10) == pytest.approx(20.0)
    assert multiplication_db(0.5) == pytest.approx(-6.0206, abs=5e-5)


def test_beat_and_day() -> None:
    """1e-9 at 10 MHz beats in 100 s; 1 ppm gains 0.0864 s a day (common practice)."""
    assert beat_period_s(-1e-9, 10e6) == pytest.approx(100.0)
    assert seconds_per_day(1e-6) == pytest.approx(0.0864)


def test_no_offset_has_no_beat() -> None:
    """Without an offset there is no beat: None rather than infinity."""
    assert beat_period_s(0.0, 10e6) is None
    assert beat_period_s(5e-324, 1.0) is None


@pytest.mark.parametrize(
    ("frequency", "nominal", "fraction"),
    [
        ("10000000.024", "10e6", 2.4e-9),
        ("10000000.5", "10e6", 50e-9),
        ("32768.6", "32768", 1.831054687496e-05),
        ("26000012", "26e6", 4.615384615385e-07),
    ],
)
def test_slips_of_decades(frequency: str, nominal: str, fraction: float) -> None:
    """From counter digits to a fraction and back, where mistakes by decades are common."""
    offset_hz, offset = difference(Decimal(frequency), Decimal(nominal))

    (back,) = elsewhere(offset, float(nominal), [float(nominal)])

    assert offset == pytest.approx(fraction, rel=1e-10)
    assert back.offset_hz == pytest.approx(offset_hz, rel=1e-14)


@given(offset=OFFSETS, nominal=FREQUENCIES, at=FREQUENCIES, scale=st.floats(0.1, 10))
def test_scale_and_sign(offset: float, nominal: float, at: float, scale: float) -> None:
    """Hertz scale with the frequency and change sign with the offset; so do beat and decibels."""
    ((one,), (other,)) = (
        elsewhere(offset, nominal, [at]),
        elsewhere(-offset, nominal, [at * scale]),
    )

    assert other.offset_hz == pytest.approx(-one.offset_hz * scale, rel=1e-12)
    assert other.phase_noise_db - one.phase_noise_db == pytest.approx(
        20 * math.log10(scale), abs=1e-9
    )
    if one.beat_period_s is not None and other.beat_period_s is not None:
        assert other.beat_period_s * scale == pytest.approx(one.beat_period_s, rel=1e-12)


@pytest.mark.parametrize("offset", [math.nan, math.inf])
def test_no_number(offset: float) -> None:
    """A value that is no number is refused."""
    with pytest.raises(UsageError, match="carried"):
        elsewhere(offset, 10e6, [5e6])


@pytest.mark.parametrize("at", [0.0, -5e6, math.nan, math.inf])
def test_no_frequency(at: float) -> None:
    """Neither a working frequency nor a nominal may be zero, negative or no number."""
    with pytest.raises(UsageError, match="above zero"):
        elsewhere(1e-9, 10e6, [at])
    with pytest.raises(UsageError, match="above zero"):
        elsewhere(1e-9, at, [10e6])


def test_nowhere() -> None:
    """Without a working frequency there are no rows."""
    assert elsewhere(1e-9, 10e6, []) == ()
