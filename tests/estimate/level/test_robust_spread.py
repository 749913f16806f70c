"""The robust spread beside a plain computation by numpy, and beside the sd of the made readings."""

import math
from collections import deque

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.estimate.level.robust_spread import RobustSpread

MAGNITUDES = st.lists(
    st.one_of(st.floats(0.0, 4.0), st.sampled_from([0.0, 0.5, 1.0, 50.0])), max_size=150
)
FLOORS = st.sampled_from([0.0, 0.1, 0.5, 1.0, 2.0, 30.0])


def plain_sd(magnitudes: list[float], floor: float) -> float:
    """Return the sd without the magnitudes that lie beyond 3.3 sd of the 60 % quantile."""
    if not magnitudes:
        return 0.0
    sd = float(np.quantile(magnitudes, 0.6)) / 0.8416
    most = 3.3 * max(sd, floor)
    kept = [one for one in magnitudes if one <= most * (1.0 + 1e-15)] or [min(magnitudes)]
    return math.sqrt(sum(one * one for one in kept) / (len(kept) * 0.9886))


def plain_recent_sd(magnitudes: list[float], floor: float) -> float:
    """Return the least of the sd of all and of the newest 6, 12 and 24, each with its factor."""
    spreads = [plain_sd(magnitudes, floor)]
    spreads += [
        factor * plain_sd(magnitudes[-count:], floor)
        for count, factor in ((6, 1.8), (12, 1.4), (24, 1.2))
        if count < len(magnitudes)
    ]
    return min(spreads)


@given(MAGNITUDES, st.lists(FLOORS, min_size=1, max_size=3))
def test_what_is_kept_between_readings_changes_nothing(
    magnitudes: list[float], floors: list[float]
) -> None:
    """The sorted squares, the known results and the sums that settle it are the plain result."""
    spread, newest = RobustSpread(48), deque[float](maxlen=48)
    for at, magnitude in enumerate(magnitudes):
        spread.add(magnitude)
        newest.append(magnitude)
        if at % 3:
            continue
        for floor in floors:
            assert spread.sd(floor) == pytest.approx(plain_sd([*newest], floor), rel=1e-12)
            assert spread.recent_sd(floor) == pytest.approx(
                plain_recent_sd([*newest], floor), rel=1e-12
            )
    assert len(spread) == len(newest)


@pytest.mark.parametrize("seed", range(5))
def test_the_spread_of_normal_readings_with_wild_ones_is_theirs(seed: int) -> None:
    """One wild in twenty leaves the sd where it was, within four of its own sd."""
    rng = np.random.default_rng(seed)
    spread = RobustSpread(400)
    for magnitude in np.abs(rng.standard_normal(400)).tolist():
        spread.add(1e3 if rng.random() < 0.05 else magnitude)
    assert spread.sd(0.0) == pytest.approx(1.0, abs=4.0 / math.sqrt(2.0 * 380))


def test_without_magnitudes_there_is_no_spread() -> None:
    """It is 0, whatever the floor."""
    spread = RobustSpread(10)
    assert (spread.sd(1.0), spread.recent_sd(1.0), len(spread)) == (0.0, 0.0, 0)
