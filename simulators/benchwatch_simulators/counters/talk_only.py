"""Counters that send lines unasked and obey no command.

``TalkOnlyCounter`` sends a line for every gate of a `Gates`, or for every pulse of a `Pulses`
(`benchwatch_simulators.counters.interval_counter`). A client that connects in the middle of a gate
receives the line at its end first.
"""

import math
import threading
from collections import deque
from decimal import Decimal
from typing import Protocol

from benchwatch_simulators.bench_time import BenchTime
from benchwatch_simulators.counters.edge_counter import Counting

STYLES = ("number", "display")
"""``+1.00000002E+07``, or what the display shows: ``10.000 000 24 MHz``."""
OVERFLOW = "----------"

_SLIP_S = 1e-9


class Source(Protocol):
    """Numbered lines, each ready at a known time."""

    @property
    def counting(self) -> Counting:
        """What is plugged in."""

    def newest(self, at_s: float) -> int:
        """Number of the newest line that is ready at `at_s`; -1 for none."""

    def ready_s(self, number: int) -> float:
        """When line `number` is ready."""

    def line(self, number: int) -> str | None:
        """Return the text of line `number`; None without a signal."""


class Gates:
    """A line for every gate of a counter that runs by itself."""

    def __init__(self, counting: Counting, gate_s: float, dead_s: float, style: str) -> None:
        self.counting = counting
        self._gate_s = gate_s
        self._period_s = gate_s + dead_s
        self._style = style

    def newest(self, at_s: float) -> int:
        """Number of the newest gate that has closed."""
        return math.floor((at_s - self._gate_s + _SLIP_S) / self._period_s)

    def ready_s(self, number: int) -> float:
        """When gate `number` closes."""
        return number * self._period_s + self._gate_s

    def line(self, number: int) -> str | None:
        """Count gate `number`."""
        frequency = self.counting.count(number * self._period_s, self._gate_s)
        if frequency is None:
            return None
        if frequency.is_infinite():
            return OVERFLOW
        return displayed(frequency) if self._style == "display" else f"{frequency:+E}"


class TalkOnlyCounter:
    """Sends the lines of a source to its clients.

    Args:
        source: makes the lines.
        time: of the bench it stands on.
    """

    def __init__(self, source: Source, time: BenchTime) -> None:
        self.received: deque[str] = deque()
        self.remote = False
        self._source = source
        self._time = time
        self._lock = threading.Lock()
        self._said: tuple[int, str | None] = (-1, None)
        self._talked = -1

    @property
    def counting(self) -> Counting:
        """What is plugged in."""
        return self._source.counting

    @property
    def status_byte(self) -> int:
        """It has no status byte."""
        return 0

    @property
    def newest(self) -> int:
        """Number of the newest line that is over."""
        return self._source.newest(self._time.now_s)

    def next_line(self, after: int) -> tuple[int, str]:
        """Wait for the first line after number `after`; return its number and text.

        Raises:
            InstrumentClosed: the bench was closed meanwhile.
        """
        number = after
        while True:
            number = max(number + 1, self.newest)
            self._time.wait_until(self._source.ready_s(number))
            with self._lock:
                if self._said[0] != number:
                    self._said = (number, self._source.line(number))
                line = self._said[1]
            if line is not None:
                return number, line

    def talk(self) -> str | None:
        """Return the next line."""
        self._talked, line = self.next_line(max(self._talked, self.newest))
        return line

    def execute(self, message: str) -> str | None:
        """Ignore a command."""
        self.received.append(message)
        return None

    def overrun(self) -> None:
        """Ignore a line that was too long."""

    def interrupted(self) -> None:
        """Ignore a response that was dropped."""

    def clear(self) -> None:
        """Ignore a device clear."""

    def group_trigger(self) -> None:
        """Ignore a trigger."""

    def go_local(self) -> None:
        """Do nothing: its front panel is never locked."""

    def power_cycle(self) -> None:
        """Do nothing: it has no settings."""


def displayed(frequency: Decimal) -> str:
    """Write a frequency in hertz as a display shows it: ``10.000 000 24 MHz``."""
    whole, _, digits = f"{frequency.scaleb(-6):f}".partition(".")
    groups = " ".join(digits[i : i + 3] for i in range(0, len(digits), 3))
    return f"{whole}.{groups} MHz"
