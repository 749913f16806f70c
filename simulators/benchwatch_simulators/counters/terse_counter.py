"""A counter of the time before SCPI: letters and digits, no queries, no error queue.

| letter | does |
|---|---|
| ``F`` | measures frequency; it can do nothing else |
| ``G0`` ... ``G4`` | gate of 10 ms, 0.1 s, 1 s, 10 s, 100 s |
| ``I``, ``E`` | counts by its own oscillator, or by the external reference |
| ``T`` | takes a reading and talks it: for lines on which nothing can be addressed |

On a bus with addresses it takes a reading whenever it is addressed to talk. A reading is
fixed in width: ``F  10.0000024E+06``, or dashes when it overflows. Several letters may share
a line; unknown ones are ignored, and without a signal its gate never
opens. The conventions are from memory; the letters are our own.
"""

import re
import threading
from collections import deque
from decimal import Decimal

from benchwatch_simulators.bench_time import BenchTime
from benchwatch_simulators.counters.edge_counter import Counting

GATES_S = (0.01, 0.1, 1.0, 10.0, 100.0)
OVERFLOW = "F  -----------E+06"

_WORDS = re.compile(r"([A-Z])(\d?)")
_REMEMBERED = 1000


class TerseCounter:
    """Executes commands of single letters.

    Args:
        gate_s: at power-on.
        counting: what does the counting.
        time: of the bench it stands on.
    """

    def __init__(self, gate_s: float, counting: Counting, time: BenchTime) -> None:
        self.counting = counting
        self.received: deque[str] = deque(maxlen=_REMEMBERED)
        self.remote = False
        self.gate_s = gate_s
        self._usual_gate_s = gate_s
        self._time = time
        self._lock = threading.Lock()

    @property
    def status_byte(self) -> int:
        """It has no status byte."""
        return 0

    def execute(self, message: str) -> str | None:
        """Execute the letters of one line; return a reading if ``T`` is among them."""
        with self._lock:
            self.received.append(message)
            self.remote = True
            answer = None
            for letter, digit in _WORDS.findall(message.upper()):
                if letter == "G" and digit and int(digit) < len(GATES_S):
                    self.gate_s = GATES_S[int(digit)]
                elif letter in "IE":
                    self.counting.external = letter == "E"
                    self.counting.automatic = False
                elif letter == "T":
                    answer = self._reading()
            return answer

    def talk(self) -> str | None:
        """Take a reading; nothing comes without a signal."""
        with self._lock:
            return self._reading()

    def overrun(self) -> None:
        """Ignore a line that was too long."""

    def interrupted(self) -> None:
        """Ignore a response that was dropped."""

    def clear(self) -> None:
        """Restore the settings of power-on, as was usual before IEEE 488.2."""
        self._settings_of_power_on()

    def group_trigger(self) -> None:
        """Ignore the trigger of the bus."""

    def go_local(self) -> None:
        """Give the front panel back."""
        self.remote = False

    def power_cycle(self) -> None:
        """Restore the settings of power-on."""
        self._settings_of_power_on()
        self.remote = False

    def _settings_of_power_on(self) -> None:
        self.gate_s = self._usual_gate_s
        self.counting.external = self.counting.reference is not None
        self.counting.automatic = True

    def _reading(self) -> str | None:
        start_s = self._time.now_s
        self._time.wait_until(start_s + self.gate_s)
        frequency = self.counting.count(start_s, self.gate_s)
        return None if frequency is None else in_fixed_width(frequency)


def in_fixed_width(frequency: Decimal) -> str:
    """Write a frequency in hertz as the counter does: ``F  10.0000024E+06``."""
    if frequency.is_infinite():
        return OVERFLOW
    return f"F {frequency.scaleb(-6):>15f}E+06"
