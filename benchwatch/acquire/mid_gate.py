"""Where on the time line a reading lies: at the middle of its gate, as far as that can be."""

import math
from collections import deque
from statistics import median
from typing import Final

from benchwatch.quantity import format_duration

SPACINGS: Final = 4
"""So many times between readings, one after the other, speak against a gate. One or two may be
short: the first result of a counter that runs by itself is met in the middle of a gate."""
SHORTER: Final = 0.8
"""Part of the gate below which no two readings can follow each other; a line may be held up."""
LEAST_STEP_S: Final = 2e-6
"""Readings are told and recorded in microseconds, and no two of a counter have the same time."""


class MidGate:
    """Places readings on the time line of a run; each lies later than the one before.

    A counter that tells a longer gate than its readings are apart can't be right: two gates of one
    counter don't overlap. Its readings are then placed as if the gate lasted from one to the next.

    Attributes:
        doubt: What is wrong with the gate that is told, a sentence; None while nothing is.
    """

    def __init__(self, origin_s: float) -> None:
        self.doubt: str | None = None
        self._origin_s = origin_s
        self._told_s: float | None = None
        self._spacings: deque[float] = deque(maxlen=SPACINGS)
        self._arrived_s: float | None = None
        self._placed_s = -math.inf

    @property
    def gate_s(self) -> float | None:
        """The gate that is told, in seconds; None where it can't be right or is not told."""
        return None if self.doubt else self._told_s

    def take_gate(self, gate_s: float | None) -> None:
        """Go by the gate that the counter tells now."""
        if gate_s != self._told_s:
            self._told_s = gate_s
            self.restart()

    def restart(self) -> None:
        """Judge the gate by the readings that come from now on: it was set."""
        self.doubt = None
        self._spacings.clear()
        self._arrived_s = None

    def place(self, arrived_s: float, *, is_new: bool) -> float:
        """Return the middle of the gate that ended at `arrived_s`, monotonic seconds.

        Args:
            arrived_s: When the reading came, monotonic seconds.
            is_new: False where the counter handed out a measurement again.
        """
        if is_new:
            if self._arrived_s is not None:
                self._spacings.append(arrived_s - self._arrived_s)
            self._arrived_s = arrived_s
            self._judge()
        gate_s = self._told_s or 0.0
        if self.doubt:
            gate_s = min(gate_s, median(self._spacings))
        middle_s = max(arrived_s - gate_s / 2, self._origin_s)
        if middle_s <= self._placed_s:
            middle_s = (self._placed_s + arrived_s) / 2
        self._placed_s = max(middle_s, self._placed_s + LEAST_STEP_S)
        return self._placed_s

    def _judge(self) -> None:
        gate_s = self._told_s
        if gate_s is None or len(self._spacings) < SPACINGS:
            return
        if max(self._spacings) >= SHORTER * gate_s:
            self.doubt = None
        elif self.doubt is None:
            self.doubt = (
                f"the counter tells a gate of {format_duration(gate_s)}, and its readings come "
                f"every {format_duration(median(self._spacings))}: no gate is longer than that. "
                "It is taken as unknown. Look at the counter's front panel."
            )
