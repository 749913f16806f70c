"""Counters that send lines without commands, and execute none.

`TalkOnlyCounter` sends a line for every gate of `Gates`, or for every interval of `Pulses`
(`benchwatch_simulators.counters.interval_counter`). The first line that a client receives is that
of the gate in which it connects.
"""

import math
import threading
from collections import deque
from decimal import Decimal
from typing import Protocol

from benchwatch_simulators.bench_time import CLOCK_ROUNDING_S, BenchTime
from benchwatch_simulators.counters.edge_counter import Counting
from benchwatch_simulators.counters.instrument import KEPT_MESSAGES

STYLES = ("number", "display")
"""``number``: ``+1.00000002E+07``; ``display``: ``10.000 000 24 MHz``."""
OVERFLOW = "----------"


class LineSource(Protocol):
    """A source of numbered lines, each complete at a known time."""

    @property
    def counting(self) -> Counting:
        """The counting circuit, with the signals that are plugged in."""

    def newest(self, at_s: float) -> int:
        """Return the number of the newest line that is complete at `at_s`; negative: none is."""

    def ready_s(self, number: int) -> float:
        """Return when line `number` is complete, in bench time."""

    def line(self, number: int) -> str | None:
        """Return the text of line `number`; None without a signal."""


class Gates:
    """The lines of a counter that runs freely, one for every gate.

    Args:
        counting: counting circuit.
        gate_s: gate time in seconds.
        dead_s: pause from gate to gate in seconds.
        style: one of `STYLES`.
    """

    def __init__(self, counting: Counting, gate_s: float, dead_s: float, style: str) -> None:
        self.counting = counting
        self._gate_s = gate_s
        self._period_s = gate_s + dead_s
        self._style = style

    def newest(self, at_s: float) -> int:
        """Return the number of the newest gate that has closed; negative: none has."""
        return math.floor((at_s - self._gate_s + CLOCK_ROUNDING_S) / self._period_s)

    def ready_s(self, number: int) -> float:
        """Return when gate `number` closes, in bench time."""
        return number * self._period_s + self._gate_s

    def line(self, number: int) -> str | None:
        """Count gate `number`; return its line, or None without a signal."""
        frequency = self.counting.count(number * self._period_s, self._gate_s)
        if frequency is None:
            return None
        if frequency.is_infinite():
            return OVERFLOW
        return write_display(frequency) if self._style == "display" else f"{frequency:+E}"


class TalkOnlyCounter:
    """Sends the lines of a source to its clients.

    Args:
        source: source of the lines.
        time: time of the bench.
    """

    def __init__(self, source: LineSource, time: BenchTime) -> None:
        self.received: deque[str] = deque(maxlen=KEPT_MESSAGES)
        self.remote = False
        self._source = source
        self._time = time
        self._lock = threading.Lock()
        self._counted: tuple[int, str | None] = (-1, None)
        """Number and text of the newest line that was counted, for all clients."""
        self._talked = -1
        """Number of the line that `talk` returned last."""

    @property
    def counting(self) -> Counting:
        """The counting circuit, with the signals that are plugged in."""
        return self._source.counting

    @property
    def status_byte(self) -> int:
        """Zero: the counter has no status byte."""
        return 0

    @property
    def newest(self) -> int:
        """Number of the newest line that is complete."""
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
                if self._counted[0] != number:
                    self._counted = (number, self._source.line(number))
                line = self._counted[1]
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
        """Do nothing: the front panel is never locked."""

    def power_cycle(self) -> None:
        """Do nothing: there are no settings."""


def write_display(frequency: Decimal) -> str:
    """Write a frequency in hertz as a display shows it: ``10.000 000 24 MHz``."""
    whole, _, digits = f"{frequency.scaleb(-6):f}".partition(".")
    groups = " ".join(digits[i : i + 3] for i in range(0, len(digits), 3))
    return f"{whole}.{groups} MHz"
