"""The time stamp of a reading: the middle of its gate, as far as the gate is known."""

import math
from collections import deque
from statistics import median
from typing import Final

from benchwatch.quantity import format_duration

SHORT_SPACINGS: Final = 4
"""At least so many spacings in a row are shorter than the gate where it is wrong."""
MOST_SPACINGS: Final = 32
"""So many spacings are judged at most, the newest: enough for a gate that is a third too long."""
EARLY_GATES: Final = 2
"""By so many gates less than expected, readings in a row may span: the first one may be read late
without limit, and the one after it may be a result that was measured up to a gate ago."""
SHORT_GATE_SHARE: Final = 0.8
"""Two readings are at least this fraction of the gate apart; below 1, as a line may be delayed."""
LEAST_STEP_S: Final = 2e-6
"""Readings are shown and recorded in microseconds, and no two of a counter share a time."""


class MidGate:
    """Places readings on the time line of a run, each later than the one before.

    A counter whose readings are closer together than its reported gate can't be right: two gates
    of one counter don't overlap. Its readings are then placed as if the gate lasted from one to
    the next.

    Attributes:
        doubt: What is wrong with the reported gate, a sentence; None while nothing is.
    """

    def __init__(self, origin_s: float) -> None:
        self.doubt: str | None = None
        self._origin_s = origin_s
        self._reported_s: float | None = None
        self._spacings: deque[float] = deque(maxlen=MOST_SPACINGS)
        """The newest spacings in a row that are shorter than the gate, in seconds."""
        self._arrived_s: float | None = None
        self._placed_s = -math.inf

    @property
    def gate_s(self) -> float | None:
        """The reported gate, in seconds; None where there is none or it can't be right."""
        return None if self.doubt else self._reported_s

    def set_gate(self, gate_s: float | None) -> None:
        """Use the gate that the counter reports now, in seconds."""
        if gate_s != self._reported_s:
            self._reported_s = gate_s
            self.restart()

    def restart(self) -> None:
        """Judge the gate only by readings from now on: it was set."""
        self.doubt = None
        self._spacings.clear()
        self._arrived_s = None

    def place(self, arrived_s: float, *, is_new: bool) -> float:
        """Return the middle of the gate that ended at `arrived_s`, monotonic seconds.

        Args:
            arrived_s: When the reading came, monotonic seconds.
            is_new: False where the counter returned the same measurement again.
        """
        if is_new:
            if self._arrived_s is not None:
                self._spacings.append(arrived_s - self._arrived_s)
            self._arrived_s = arrived_s
            self._judge()
        gate_s = self._reported_s or 0.0
        if self.doubt:
            gate_s = min(gate_s, median(self._spacings))
        middle_s = max(arrived_s - gate_s / 2, self._origin_s)
        if middle_s <= self._placed_s:
            middle_s = (self._placed_s + arrived_s) / 2
        self._placed_s = max(middle_s, self._placed_s + LEAST_STEP_S)
        return self._placed_s

    def _judge(self) -> None:
        gate_s = self._reported_s
        if gate_s is None or not self._spacings:
            return
        if self._spacings[-1] >= SHORT_GATE_SHARE * gate_s:
            self.doubt = None
            self._spacings.clear()
            return
        count = len(self._spacings)
        least_s = SHORT_GATE_SHARE * gate_s * (count - EARLY_GATES)
        if self.doubt is None and count >= SHORT_SPACINGS and sum(self._spacings) < least_s:
            self.doubt = (
                f"the counter tells a gate of {format_duration(gate_s)}, and its readings come "
                f"every {format_duration(median(self._spacings))}: no gate is longer than that. "
                "It is taken as unknown. Look at the counter's front panel."
            )
