"""Tells whether the machine stood still while something was timed."""

import threading
import time
from typing import Self

TICK_S = 0.01
LAST_S = 1.0
"""A stall at the very end is noted when it is over, so long after the end at most."""


class Stalls(threading.Thread):
    """Wakes up a hundred times a second, and notes when it comes too late.

    What is measured beside it was not run in that time either, whatever it did or failed to do.
    """

    def __init__(self) -> None:
        super().__init__(name="stalls", daemon=True)
        self._over = threading.Event()
        self._woke: list[tuple[float, float]] = []
        """When, monotonic, and how much too late."""

    def __enter__(self) -> Self:
        """Begin to look."""
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """It has seen enough."""
        self._over.set()
        self.join()

    def run(self) -> None:
        """Look until told to end."""
        then_s = time.monotonic()
        while not self._over.wait(TICK_S):
            now_s = time.monotonic()
            self._woke.append((now_s, now_s - then_s - TICK_S))
            then_s = now_s

    def longest_s(self, began_s: float, ended_s: float) -> float:
        """Return how long the machine stood still at most between two times."""
        within = (
            late_s for at_s, late_s in tuple(self._woke) if began_s <= at_s <= ended_s + LAST_S
        )
        return max(within, default=0.0)

    def since(self, began_s: float) -> float:
        """Return the seconds since a monotonic time, less those in which the machine stood still.

        What is left is what the program took, on an idle machine or on a busy one.
        """
        now_s = time.monotonic()
        self._over.wait(TICK_S)  # a stall is noted when it is over
        stood_still_s = sum(
            late_s for at_s, late_s in tuple(self._woke) if began_s <= at_s <= now_s + TICK_S
        )
        return max(now_s - began_s - stood_still_s, 0.0)
