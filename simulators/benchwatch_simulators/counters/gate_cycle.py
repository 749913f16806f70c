"""The gates of a counter in time: single, continuous, or waiting for a trigger.

Nothing runs in the background: the start time determines every gate of a running counter, and a
gate is counted when its reading is queried.
"""

import math
from collections.abc import Callable
from decimal import Decimal

from benchwatch_simulators.bench_time import CLOCK_ROUNDING_S

Count = Callable[[float, float], Decimal | None]
"""(start_s, gate_s) -> hertz; None without a signal."""


class GateCycle:
    """The trigger state of one counter.

    Args:
        count: counts one gate.
        dead_s: pause from gate to gate of a running counter.

    Attributes:
        continuous: whether one gate opens after another.
        armed: whether a gate waits for a trigger.
    """

    def __init__(self, count: Count, dead_s: float) -> None:
        self._count = count
        self._dead = dead_s
        self._gate = 0.0
        self._started: float | None = None
        self._done: tuple[int, Decimal | None] | None = None
        self.continuous = False
        self.armed = False

    def initiate(self, at_s: float, gate_s: float) -> None:
        """Open a gate at `at_s`; while `continuous`, others follow it."""
        self.armed = False
        self._started = at_s
        self._gate = gate_s
        self._done = None

    def arm(self) -> None:
        """Wait for a trigger."""
        self.forget()
        self.armed = True

    def forget(self) -> None:
        """Stop, and make the reading invalid."""
        self.armed = False
        self._started = None
        self._done = None

    def abort(self, at_s: float) -> None:
        """Stop a running gate; keep a finished reading."""
        self.armed = False
        if self._started is not None and self._latest(at_s) < 0:
            self._started = None

    def ready_s(self, at_s: float) -> float | None:
        """Return when a reading is complete, `at_s` or later; None: no gate is open."""
        if self._started is None:
            return None
        return max(at_s, self._started + self._gate)

    def is_busy(self, at_s: float) -> bool:
        """Return whether a single gate is open, or a trigger is awaited."""
        if self.armed:
            return True
        return self._started is not None and not self.continuous and self._latest(at_s) < 0

    def reading(self, at_s: float) -> Decimal | None:
        """Return the newest complete reading; the same one until the next gate has closed.

        Raises:
            LookupError: no gate has closed.
        """
        number = -1 if self._started is None else self._latest(at_s)
        if self._started is None or number < 0:
            raise LookupError
        if self._done is None or self._done[0] != number:
            start_s = self._started + number * (self._gate + self._dead)
            self._done = (number, self._count(start_s, self._gate))
        return self._done[1]

    def _latest(self, at_s: float) -> int:
        """Return the number of the newest gate that has closed by `at_s`; -1: none has."""
        assert self._started is not None
        since_s = at_s - self._started - self._gate + CLOCK_ROUNDING_S
        if since_s < 0:
            return -1
        period_s = max(self._gate + self._dead, 1e-4)
        return math.floor(since_s / period_s) if self.continuous else 0
