"""The computer's two clocks, read while the program is held up in between."""

from itertools import pairwise

import pytest

from benchwatch.clock import SystemClock, utc_at


class HeldUp(SystemClock):
    """Clocks 1000 s apart; now and then the program waits between reading one and the other.

    Args:
        waits: seconds that pass before each reading of the UTC clock, over and over.
    """

    def __init__(self, waits: tuple[float, ...]) -> None:
        self._now_s = 5.0
        self._waits = waits
        self._asked = 0

    def monotonic(self) -> float:
        """Seconds since a moment of its own."""
        self._now_s += 1e-6
        return self._now_s

    def utc(self) -> float:
        """Seconds 1000 later, told after a wait."""
        self._now_s += self._waits[self._asked % len(self._waits)]
        self._asked += 1
        return self._now_s + 1000.0


@pytest.mark.parametrize("waits", [(0.0,), (0.2, 0.0), (0.3, 0.3, 0.3, 0.0)])
def test_a_wait_between_the_two_clocks_does_not_count(waits: tuple[float, ...]) -> None:
    """Twenty times that follow each other by 50 µs keep their order and their distance."""
    clock = HeldUp(waits)

    told = [utc_at(clock, 5.0 + n * 5e-5) for n in range(20)]

    assert told[0] == pytest.approx(1005.0, abs=2e-6)
    assert all(b - a == pytest.approx(5e-5, abs=2e-6) for a, b in pairwise(told))
