"""Waits longer than the system's longest one."""

import threading

import pytest

from benchwatch.clock import SystemClock
from benchwatch.quantity import parse_duration


class Waits:
    """A fake of an event and of the computer's clock that records each wait."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.waits_s: list[float] = []
        self.set_after = 10**9

    def wait(self, timeout_s: float) -> bool:
        """Advance the time; return True after enough calls."""
        self.waits_s.append(timeout_s)
        self.now_s += timeout_s
        return len(self.waits_s) >= self.set_after

    def monotonic(self) -> float:
        """Return the seconds since the first wait."""
        return self.now_s


@pytest.mark.parametrize("typed", ["1s", "49d", "100y"])
def test_the_longest_time_that_can_be_typed_is_waited_for(monkeypatch, typed):
    """In waits that the system accepts (documentation of threading.TIMEOUT_MAX), to the second."""
    event, timeout_s = Waits(), parse_duration(typed)
    monkeypatch.setattr("benchwatch.clock.monotonic", event.monotonic)

    assert SystemClock().wait(event, timeout_s) is False
    assert event.now_s == pytest.approx(timeout_s)
    assert max(event.waits_s) < min(threading.TIMEOUT_MAX, 2**32 / 1000)


def test_a_long_wait_ends_with_its_event(monkeypatch):
    """During any of its parts."""
    event = Waits()
    event.set_after = 3
    monkeypatch.setattr("benchwatch.clock.monotonic", event.monotonic)

    assert SystemClock().wait(event, parse_duration("1y")) is True
    assert len(event.waits_s) == 3
