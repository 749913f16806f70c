"""UTC times from the computer's two clocks, when the program is held up between reading them."""

from itertools import pairwise

import pytest

from benchwatch.clock import SystemClock, utc_at


class HeldUp(SystemClock):
    """Clocks 1000 s apart, with waits of the program between reading one and the other.

    Args:
        waits: seconds that pass before each reading of the UTC clock, repeated.
    """

    def __init__(self, waits: tuple[float, ...]) -> None:
        self._now_s = 5.0
        self._waits = waits
        self._asked = 0

    def monotonic(self) -> float:
        """Return the monotonic time, in seconds."""
        self._now_s += 1e-6
        return self._now_s

    def utc(self) -> float:
        """Return the monotonic time after a wait, plus 1000 s."""
        self._now_s += self._waits[self._asked % len(self._waits)]
        self._asked += 1
        return self._now_s + 1000.0


@pytest.mark.parametrize("waits", [(0.0,), (0.2, 0.0), (0.3, 0.3, 0.3, 0.0)])
def test_a_wait_between_the_two_clocks_does_not_count(waits: tuple[float, ...]) -> None:
    """The UTC of twenty monotonic times 50 µs apart are 50 µs apart as well."""
    clock = HeldUp(waits)

    times = [utc_at(clock, 5.0 + n * 5e-5) for n in range(20)]

    assert times[0] == pytest.approx(1005.0, abs=2e-6)
    assert all(b - a == pytest.approx(5e-5, abs=2e-6) for a, b in pairwise(times))
