"""Distinguishes a new measurement of a free-running counter from one that it returns again."""

from collections import deque
from decimal import Decimal
from typing import Final

EQUAL_AFTER_PERIODS: Final = 1.25
"""A result unchanged for this many measuring periods is a new one of equal value."""
LATE_AFTER_PERIODS: Final = 1.5
"""After so many measuring periods since the last result, one was missed."""
DEAD_TIME_S: Final = 1.0
"""No counter pauses longer between two gates; less than the margin of a missed reading."""
UNKNOWN_PERIOD_S: Final = 1.0
"""Without a gate or a change yet, an unchanged result is reported as a repeat this often."""
NEAR_DIGITS: Final = 3
"""Where neighbouring results differ by no more than so many last digits, equal ones are usual."""
FEWEST_DIFFERENCES: Final = 4
"""So many differences must be known before an equal result counts as implausible."""


class RepeatDetector:
    """Judges the results of one counter, in the order in which they were polled.

    A changed result is new. An unchanged one can't be judged until the measuring period is over:
    the shortest time between two changes, or at most the gate and the longest dead time. After
    that it is a new measurement of equal value, unless results have always differed by many
    digits: then the counter has stopped measuring. An error of this rule skips an equal result; it
    never invents one.
    """

    def __init__(self, gate_s: float | None = None) -> None:
        self.gate_s = gate_s
        self._value: Decimal | None = None
        self._accepted_s = 0.0
        self._changed_s: float | None = None
        self._shortest_s: float | None = None
        self._steps: deque[float] = deque(maxlen=16)

    def judge(self, value: Decimal, last_digit: float, at_s: float, poll_s: float) -> bool | None:
        """Return True for a new result, False for a repeat, None when it is too early to decide.

        Args:
            value: The result, in hertz.
            last_digit: Weight of its last digit, in hertz.
            at_s: When it was polled, monotonic seconds.
            poll_s: Time between polls, the uncertainty of `at_s` as the time of a change.
        """
        if value != self._value:
            self._learn(value, last_digit, at_s)
            return True
        wait_s = self._wait_s()
        if wait_s is None:
            if at_s - self._accepted_s < UNKNOWN_PERIOD_S:
                return None
            self._accepted_s = at_s
            return False
        if at_s - self._accepted_s < wait_s + poll_s:
            return None
        self._accepted_s = at_s
        return self._equal_is_plausible()

    def is_late(self, at_s: float) -> bool:
        """Return whether a result found at `at_s` can't be the one that follows the last one."""
        period_s = self._shortest_s
        if period_s is None and self.gate_s is not None:
            period_s = self.gate_s + DEAD_TIME_S
        if self._value is None or period_s is None:
            return False
        return at_s - self._accepted_s > LATE_AFTER_PERIODS * period_s

    def _wait_s(self) -> float | None:
        """Return how long to wait before judging an unchanged result; None when not known."""
        learned_s = None if self._shortest_s is None else EQUAL_AFTER_PERIODS * self._shortest_s
        if self.gate_s is None:
            return learned_s
        longest_s = self.gate_s + DEAD_TIME_S
        return longest_s if learned_s is None else max(min(learned_s, longest_s), self.gate_s)

    def _learn(self, value: Decimal, last_digit: float, at_s: float) -> None:
        if self._value is not None:
            if self._changed_s is not None:
                between_s = at_s - self._changed_s
                self._shortest_s = min(self._shortest_s or between_s, between_s)
            self._changed_s = at_s  # the first result was found in the middle of its period
            if last_digit > 0:
                self._steps.append(abs(float(value - self._value)) / last_digit)
        self._value = value
        self._accepted_s = at_s

    def _equal_is_plausible(self) -> bool:
        return len(self._steps) < FEWEST_DIFFERENCES or min(self._steps) <= NEAR_DIGITS
