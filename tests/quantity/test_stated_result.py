"""Results with an expanded uncertainty, in the digits that JCGM 100:2008 (GUM) 7.2 asks for."""

import math
import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.quantity.stated_result import state_as_power, state_result

SIZES = st.floats(1e-13, 1e3)


def decimals(text: str) -> int:
    """Count the decimals of a number."""
    return len(text.partition(".")[2])


def test_the_mass_standard_of_the_gum() -> None:
    """GUM 7.2.2 and 7.2.4: 100.021 47 g, u_c = 0.35 mg, U = 0.79 mg."""
    stated = state_result(100.0214732, 0.35e-3, 2.26 * 0.35e-3, unit="g")

    assert str(stated) == "(+100.02147 ± 0.00079) g"
    assert stated.u == "0.00035"


def test_the_end_gauge_of_the_gum() -> None:
    """GUM H.1.7: 50.000 838 mm, u_c = 32 nm, U = 93 nm at k = 2.92 [the length from memory]."""
    stated = state_result(50.000838, 31.6638791e-6, 2.92 * 32e-6, unit="mm")

    assert str(stated) == "(+50.000838 ± 0.000093) mm"
    assert stated.u == "0.000032"


@given(st.floats(-1e3, 1e3), SIZES, st.floats(1.9, 14.0))
def test_value_and_uncertainty_agree_in_digits(value: float, u: float, k: float) -> None:
    """GUM 7.2.6: u and U to two significant digits at most, the value to the decimals of U."""
    stated = state_result(value, u, k * u, unit="Hz")

    assert stated.expanded is not None
    assert stated.u is not None
    assert decimals(stated.value) == decimals(stated.expanded)
    for text, size in ((stated.expanded, k * u), (stated.u, u)):
        digits = text.replace(".", "").lstrip("0")
        assert len(digits) <= 2 or re.fullmatch(r"\d\d0+", digits)
        assert float(text) == pytest.approx(size, rel=0.05)
    assert abs(float(stated.value) - value) <= 0.5 * 10.0 ** -decimals(stated.value) + k * u * 0.5


def test_what_is_not_known_is_not_written() -> None:
    """Without U the value has the decimals of u; without u the value stands alone."""
    without_expanded = state_result(36.97e-9, 0.024e-9, None, unit="ppb", size=1e-9)
    without_u = state_result(36.97e-9, None, None, unit="ppb", size=1e-9)

    assert (str(without_expanded), without_expanded.u) == ("+36.970 ppb", "0.024")
    assert (str(without_u), without_u.u, without_u.expanded) == ("+36.97 ppb", None, None)


@given(st.floats(-1e-4, 1e-4).filter(lambda value: abs(value) > 1e-12), st.floats(1e-13, 1e-5))
def test_a_power_of_ten(value: float, u: float) -> None:
    """The number before the power of ten is the fraction again, to the digits of its U."""
    stated = state_as_power(value, u, 2.0 * u)

    power = Decimal(10) ** int(stated.unit.removeprefix("× 10^"))
    assert stated.expanded is not None
    step = 10.0 ** -decimals(stated.value) * float(power)
    assert float(Decimal(stated.value) * power) == pytest.approx(value, abs=0.51 * step)
    assert max(abs(value), 2.0 * u) / float(power) * (1 + 1e-9) >= 1.0
    assert max(abs(value), 2.0 * u) / float(power) < 10.0 * (1 + 1e-9)


def test_nothing_measured_is_zero() -> None:
    """An offset of zero without an uncertainty has a power of its own."""
    assert str(state_as_power(0.0, None, None)) == "+0.000 × 10^0"
    assert math.isclose(float(state_result(0.0, None, None, unit="Hz").value), 0.0)
