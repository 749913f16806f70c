"""The live estimate as a whole: what one reading after another makes of the numbers."""

import math

from benchwatch.estimate.live import LiveEstimate


def test_two_readings_give_their_mean() -> None:
    """The simplest run there is."""
    live = LiveEstimate()

    live.add(0.0, 1e-9)
    numbers = live.add(1.0, 3e-9)

    assert numbers.estimate is not None
    assert math.isclose(numbers.estimate.offset, 2e-9)
    assert numbers.estimate.readings == 2


def test_nan_changes_nothing() -> None:
    """A reading without a value is ignored."""
    live = LiveEstimate(tolerance=1e-8)
    before = live.add(0.0, 1e-9)

    assert live.add(1.0, math.nan) is before
