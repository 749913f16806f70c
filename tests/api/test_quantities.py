"""Quantities of scripts: text and numbers mean the same, and what is none is refused."""

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.api.quantities import fraction, hertz, limit, seconds, settle_limit
from benchwatch.errors import QuantityError
from benchwatch.estimate.results import SettleLimit


@given(value=st.floats(1e-3, 1e12, allow_nan=False))
def test_a_float_is_its_shortest_decimals(value: float) -> None:
    """As hertz, and as seconds and fractions where these go so far."""
    assert hertz(value) == Decimal(repr(value))
    assert float(hertz(value)) == value
    if value < 1e9:
        assert seconds(value) == value
    if value < 1e-2:  # a larger one is taken for a missing unit
        assert fraction(-value) == -value
        assert limit(value) == value


def test_text_is_read_as_on_the_command_line() -> None:
    """With units; a limit in hertz needs the nominal."""
    assert hertz("10 MHz") == hertz(10_000_000) == hertz(Decimal("1E7")) == 10_000_000
    assert fraction("-24 mHz", Decimal(10_000_000)) == pytest.approx(-2.4e-9)
    assert seconds("2 min 10 s") == 130.0
    assert settle_limit("1ppb/10min") == SettleLimit(1e-9, 600.0) == settle_limit((1e-9, 600.0))
    assert settle_limit(SettleLimit(1e-9, 600.0)) == SettleLimit(1e-9, 600.0)
    assert settle_limit(None) is None is limit(None)


@pytest.mark.parametrize(
    "value", [math.nan, math.inf, -1.0, 0, None, "fast", "10 mhz", [], "9" * 99]
)
def test_what_is_no_frequency_is_refused(value: object) -> None:
    """Whatever it is, with a sentence and no traceback of a library."""
    with pytest.raises(QuantityError):
        hertz(value)  # type: ignore[arg-type]


@pytest.mark.parametrize("value", [math.nan, -1e-9, 0.0, "1 s"])
def test_what_is_no_limit_is_refused(value: object) -> None:
    """A limit lies above zero."""
    with pytest.raises(QuantityError):
        limit(value)  # type: ignore[arg-type]
