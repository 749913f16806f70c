"""Clocks for a bench: the computer's own, a quicker one, and two that tests drive.

Each fulfils `benchwatch.clock.Clock`, so the same object can time the bench and whatever
watches it. Bench time is ``clock.monotonic()`` counted from the moment the bench was opened.
"""

import threading
import time

_LOOK_S = 0.02
"""How often a wait on a clock driven by hand looks whether it was called off."""


class QuickClock:
    """Real time, sped up: `speed` bench seconds pass in one second."""

    def __init__(self, speed: float) -> None:
        if speed <= 0:
            raise ValueError(f"a clock's speed must be above zero, not {speed}")
        self._speed = speed
        self._zero = time.monotonic()
        self._utc = time.time()

    def monotonic(self) -> float:
        """Bench seconds that never jump."""
        return (time.monotonic() - self._zero) * self._speed

    def utc(self) -> float:
        """Unix seconds, which pass as quickly as the bench's own."""
        return self._utc + self.monotonic()

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Wait up to `timeout_s` bench seconds for `event`; True when it is set."""
        return event.wait(max(0.0, timeout_s) / self._speed)


class HandClock:
    """Time that passes only when a test calls `advance`."""

    def __init__(self, utc_s: float = 1_900_000_000.0) -> None:
        self._moved = threading.Condition()
        self._now = 0.0
        self._utc = utc_s
        self._waiting = 0

    def monotonic(self) -> float:
        """Seconds advanced so far."""
        return self._now

    def utc(self) -> float:
        """Unix seconds: a made-up start plus what was advanced."""
        return self._utc + self._now

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass and wake whoever has waited long enough."""
        with self._moved:
            self._now += seconds
            self._moved.notify_all()

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Wait until `timeout_s` were advanced, or for `event`; True when it is set."""
        until = self._now + timeout_s
        with self._moved:
            self._waiting += 1
            self._moved.notify_all()
            try:
                while self._now < until and not event.is_set():
                    self._moved.wait(_LOOK_S)
            finally:
                self._waiting -= 1
        return event.is_set()

    def until_waiting(self, count: int = 1, timeout_s: float = 5.0) -> bool:
        """Block (in real time) until `count` waits are under way; False if that never comes."""
        with self._moved:
            return self._moved.wait_for(lambda: self._waiting >= count, timeout_s)


class LeapClock(HandClock):
    """Time that leaps to the end of every wait: hours of gates in seconds of computing."""

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Let `timeout_s` pass at once; True when `event` is set."""
        self.advance(max(0.0, timeout_s))
        return event.is_set()
