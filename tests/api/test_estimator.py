"""Readings given one by one: their digits, times and gaps; what is refused."""

import math
from decimal import Decimal

import pytest

import benchwatch


def filled(count: int = 60) -> benchwatch.Estimator:
    """Return an estimator with readings 2 ppb fast, the last digit alternating."""
    estimator = benchwatch.Estimator("10 MHz", tolerance="5 ppb")
    for second in range(count):
        estimator.add(f"10000000.02{second % 2}0", float(second), gate_s=1.0)
    return estimator


def test_text_and_decimals_give_the_resolution_and_floats_do_not() -> None:
    """The last digit written is the resolution of a reading."""
    of_text = benchwatch.Estimator(1e7).add("10000000.0230", 0.0).reading
    of_decimal = benchwatch.Estimator(1e7).add(Decimal("10000000.0230"), 0.0).reading
    of_float = benchwatch.Estimator(1e7).add(10000000.023, 0.0).reading

    assert of_text is not None
    assert of_decimal is not None
    assert of_float is not None
    assert of_text.resolution_hz == of_decimal.resolution_hz == 1e-4
    assert of_float.resolution_hz == 0.0
    assert of_text.offset == of_decimal.offset == of_float.offset == 2.3e-9


def test_the_offset_is_put_on_record_with_a_budget() -> None:
    """The mean of the made readings; what is not stated is listed."""
    record = filled().record("as left")

    assert record.offset == pytest.approx(2.05e-9, abs=1e-11)
    assert record.kind == "as left"
    assert record.budget.missing


def test_a_gap_begins_the_estimate_anew_only_as_in_a_watch() -> None:
    """The snapshot counts the gap, and the readings go on."""
    estimator = filled()
    now = estimator.gap(60.0, 30.0, "no reply")

    assert now.gaps == 1
    assert estimator.add("10000000.0200", 91.0).readings == 61


def test_the_pull_of_the_tool_is_told_from_a_turn() -> None:
    """A step while the tool is put on is no nudge of the trimmer."""
    estimator = filled()
    estimator.touch(60.0, on=True)
    for second in range(61, 100):
        estimator.add(f"10000000.22{second % 2}0", float(second), gate_s=1.0)
    trim = estimator.snapshot.trim

    assert trim is not None
    assert trim.turn is None
    assert trim.tool is not None
    assert trim.tool.on


@pytest.mark.parametrize(
    ("frequency", "elapsed_s", "message"),
    [
        ("ten", 60.0, "'ten' is no reading"),
        (math.nan, 60.0, "no reading in hertz"),
        ("1e99", 60.0, "no reading in hertz"),
        ("\x1b[31m", 60.0, "is no reading"),
        ("10000000.02", 59.0, "does not come after 59.0 s"),
        ("10000000.02", math.nan, "does not come after"),
    ],
)
def test_what_is_no_reading_is_refused_and_nothing_is_lost(
    frequency: object, elapsed_s: float, message: str
) -> None:
    """A sentence says what is wrong, and the estimate stays as it was."""
    estimator = filled()
    before = estimator.snapshot
    with pytest.raises(benchwatch.UsageError, match=message) as raised:
        estimator.add(frequency, elapsed_s)  # type: ignore[arg-type]

    assert estimator.snapshot.readings == before.readings
    assert "\x1b" not in str(raised.value)


@pytest.mark.parametrize("nominal", ["fast", math.nan, -1.0, "10 mhz", None])
def test_what_is_no_nominal_is_refused(nominal: object) -> None:
    """In the words of the command line."""
    with pytest.raises(benchwatch.QuantityError):
        benchwatch.Estimator(nominal)  # type: ignore[arg-type]
