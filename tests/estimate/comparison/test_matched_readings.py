"""Matching of readings of several counters that were taken together."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.estimate.comparison.matched_readings import match_times


def test_matching_in_time() -> None:
    """The nearest within the window match; a reading without a near partner is left out."""
    main = np.array([0.0, 1.0, 2.0, 3.0, 10.0])
    spare = np.array([0.1, 2.2, 2.9, 50.0])

    rows = match_times([main, spare], 0.25)

    assert rows.tolist() == [[0, 0], [2, 1], [3, 2]]


def test_no_reading_is_used_twice() -> None:
    """Of four readings of a fast counter to one of a slow counter, one is matched."""
    fast, slow = np.arange(0.0, 8.0, 0.25), np.arange(0.0, 8.0, 1.0)

    rows = match_times([fast, slow], 1.0)

    assert rows[:, 1].tolist() == list(range(8))
    assert np.array_equal(fast[rows[:, 0]], slow)


@pytest.mark.parametrize("times", [([], [1.0]), ([1.0], []), ([1.0], [5.0]), ([math.nan], [1.0])])
def test_nothing_to_match(times: tuple[list[float], list[float]]) -> None:
    """An empty list, or no reading near enough, gives no rows."""
    assert match_times([np.array(times[0]), np.array(times[1])], 1.0).shape == (0, 2)


@given(
    lists=st.lists(
        st.lists(st.integers(0, 60), min_size=1, max_size=25, unique=True).map(sorted),
        min_size=2,
        max_size=3,
    ),
    window=st.integers(0, 4),
)
def test_matches_lie_within_the_window(lists: list[list[int]], window: int) -> None:
    """Every match is near enough, in order, and takes each reading of each list once."""
    times = [np.array(column, dtype=float) for column in lists]

    rows = match_times(times, float(window))

    for row, column in itertools.product(rows.tolist(), range(1, len(times))):
        assert abs(times[column][row[column]] - times[0][row[0]]) <= window
    for column in range(len(times)):
        assert np.all(np.diff(rows[:, column]) > 0)
