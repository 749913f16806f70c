"""The end of a recorded run's warm-up."""

import numpy as np
import pytest

from benchwatch.estimate.run_changes import find_changes


def _generator(count):
    """Return u(k) = 16807^(k+1) mod (2³¹-1) / (2³¹-1): NIST SP 1065, section 12, seed 16807."""
    n, values = 16807, []
    for _ in range(count):
        values.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(values)


@pytest.mark.parametrize(("scale", "shift"), [(1e-9, 0.0), (-1e-9, 0.0), (1e-9, 1e-6)])
def test_a_warm_up_ends_where_mser5_says(scale: float, shift: float) -> None:
    """White (1997); 10·e^(-k/15) + u(k) - 1/2: 13 batches of 5, computed from the definition.

    Shift, scale and sign do not matter.
    """
    series = 10.0 * np.exp(-np.arange(200) / 15.0) + _generator(200) - 0.5

    changes = find_changes(np.arange(200.0), scale * series + shift)

    assert changes.settled_s == 65.0


def test_no_warm_up_is_seen_in_a_steady_or_short_run() -> None:
    """In a constant, and in a few readings."""
    assert find_changes(np.arange(100.0), np.full(100, 1e-3)).settled_s is None
    assert find_changes(np.arange(3.0), np.array([1.0, 2.0, 3.0])).settled_s is None
