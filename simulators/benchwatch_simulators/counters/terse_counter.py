"""A counter from before SCPI: commands of letters and digits, no queries, no error queue.

| letter | effect |
|---|---|
| ``F`` | measures frequency, its only function |
| ``G0`` ... ``G4`` | gate of 10 ms, 0.1 s, 1 s, 10 s, 100 s |
| ``I``, ``E`` | counts by its own oscillator, or by the external reference |
| ``T`` | takes a reading and sends it, for a bus without addresses |

On a bus with addresses it takes a reading whenever it is addressed to talk. A reading has a fixed
width: ``F  10.0000024E+06``, or dashes when it overflows. Several commands may share a line;
unknown ones are ignored. Without a signal there is no reading. The conventions are from memory;
the letters are our own.
"""

import re
import threading
from collections import deque
from decimal import Decimal

from benchwatch_simulators.bench_time import BenchTime
from benchwatch_simulators.counters.edge_counter import Counting
from benchwatch_simulators.counters.instrument import KEPT_MESSAGES

GATES_S = (0.01, 0.1, 1.0, 10.0, 100.0)
OVERFLOW = "F  -----------E+06"

_COMMANDS = re.compile(r"([A-Z])(\d?)")


class TerseCounter:
    """Executes commands of single letters.

    Args:
        gate_s: gate at power-on, seconds.
        counting: counting circuit.
        time: time of the bench.
    """

    def __init__(self, gate_s: float, counting: Counting, time: BenchTime) -> None:
        self.counting = counting
        self.received: deque[str] = deque(maxlen=KEPT_MESSAGES)
        self.remote = False
        self.gate_s = gate_s
        self._usual_gate_s = gate_s
        self._time = time
        self._lock = threading.Lock()

    @property
    def status_byte(self) -> int:
        """Zero: the counter has no status byte."""
        return 0

    def execute(self, message: str) -> str | None:
        """Execute the commands of one line; return a reading if ``T`` is among them."""
        with self._lock:
            self.received.append(message)
            self.remote = True
            answer = None
            for letter, digit in _COMMANDS.findall(message.upper()):
                if letter == "G" and digit and int(digit) < len(GATES_S):
                    self.gate_s = GATES_S[int(digit)]
                elif letter in "IE":
                    self.counting.external = letter == "E"
                    self.counting.automatic = False
                elif letter == "T":
                    answer = self._reading()
            return answer

    def talk(self) -> str | None:
        """Take a reading; None without a signal."""
        with self._lock:
            return self._reading()

    def overrun(self) -> None:
        """Ignore a line that was too long."""

    def interrupted(self) -> None:
        """Ignore a response that was dropped."""

    def clear(self) -> None:
        """Restore the settings of power-on, as was usual before IEEE 488.2."""
        self._restore_settings()

    def group_trigger(self) -> None:
        """Ignore a group execute trigger."""

    def go_local(self) -> None:
        """Unlock the front panel."""
        self.remote = False

    def power_cycle(self) -> None:
        """Restore the settings of power-on."""
        self._restore_settings()
        self.remote = False

    def _restore_settings(self) -> None:
        self.gate_s = self._usual_gate_s
        self.counting.external = self.counting.reference is not None
        self.counting.automatic = True

    def _reading(self) -> str | None:
        """Wait for a gate, and return its reading; None without a signal."""
        start_s = self._time.now_s
        self._time.wait_until(start_s + self.gate_s)
        frequency = self.counting.count(start_s, self.gate_s)
        return None if frequency is None else write_fixed_width(frequency)


def write_fixed_width(frequency: Decimal) -> str:
    """Write a frequency in hertz as the counter does: ``F  10.0000024E+06``."""
    if frequency.is_infinite():
        return OVERFLOW
    return f"F {frequency.scaleb(-6):>15f}E+06"
