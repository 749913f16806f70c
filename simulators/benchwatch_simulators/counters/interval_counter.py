"""Time-interval counters: from a pulse of the reference to the next pulse of the oscillator.

Both are divided down to one pulse a period, usually a second (1 PPS). An oscillator that
runs fast pulses earlier every time, so the interval falls; past zero it wraps to a period.
The offset of the frequency is minus the slope of the interval.
"""

import math
import threading
from decimal import Decimal

from benchwatch_simulators.bench_time import BenchTime
from benchwatch_simulators.counters.edge_counter import Counting
from benchwatch_simulators.scpi.scpi_errors import ScpiError
from benchwatch_simulators.scpi.scpi_instrument import ScpiInstrument

NOT_A_NUMBER = "+9.91E+37"

_SLIP_S = 1e-9


class Pulses:
    """Measures one interval a pulse of the reference; intervals are numbered from power-on.

    Args:
        counting: signal, reference, resolution.
        period_s: from pulse to pulse.
        first_s: the interval at power-on.
    """

    def __init__(self, counting: Counting, period_s: float, first_s: float) -> None:
        self.counting = counting
        self.period_s = period_s
        self._phase_s = first_s
        self._reached_s = 0.0
        self._lock = threading.Lock()
        self._known: tuple[int, Decimal] = (-1, Decimal(0))

    def newest(self, at_s: float) -> int:
        """Number of the newest interval that is over; the one at power-on has number 0."""
        return math.floor((at_s + _SLIP_S) / self.period_s) - 1

    def ready_s(self, number: int) -> float:
        """When interval `number` is over: at the latest one period after it began."""
        return (number + 1) * self.period_s

    def line(self, number: int) -> str | None:
        """Return interval `number` in seconds as text; None without a signal."""
        interval = self.interval(number)
        return None if interval is None else f"{interval:+E}"

    def interval(self, number: int) -> Decimal | None:
        """Return interval `number` in seconds; None without a signal.

        Numbers must not fall; the newest may be asked for again.
        """
        if not self.counting.signal_present:
            return None
        with self._lock:
            if self._known[0] != number:
                self._known = (number, self._measure(number * self.period_s))
            return self._known[1]

    def _measure(self, at_s: float) -> Decimal:
        if at_s > self._reached_s:
            span_s = at_s - self._reached_s
            self._phase_s -= self.counting.gained(self._reached_s, at_s)
            self._phase_s %= self.period_s
            self._reached_s += span_s
        tick_s = self.counting.spec.t_res_s
        ticks = math.floor(self._phase_s / tick_s + self.counting.random_fraction())
        last_digit = Decimal((0, (1,), math.floor(math.log10(tick_s))))
        return (Decimal(ticks) * Decimal(str(tick_s))).quantize(last_digit)


class IntervalCounter(ScpiInstrument):
    """A time-interval counter that speaks SCPI: ``READ?`` waits for the next interval.

    Args:
        identity: what ``*IDN?`` answers.
        pulses: what does the measuring.
        time: of the bench it stands on.
    """

    def __init__(self, identity: str, pulses: Pulses, time: BenchTime) -> None:
        super().__init__(identity)
        self._pulses = pulses
        self._time = time
        self._read: int | None = None
        add = self.tree.add
        for pattern in ("READ", "READ:TINTerval", "MEASure:TINTerval"):
            add(f"{pattern}?", self._next)
        add("FETCh?", self._newest)
        add("FETCh:TINTerval?", self._newest)
        add("[SENSe:]FUNCtion[:ON]?", lambda: '"TINT 1,2"')
        source = "[SENSe:]ROSCillator:SOURce?"
        add(source, lambda: "EXT" if self.counting.shows_external else "INT")

    @property
    def counting(self) -> Counting:
        """What is plugged in."""
        return self._pulses.counting

    def reset(self) -> None:
        """Make the last reading invalid; there are no settings."""
        self._read = None

    def _next(self) -> str:
        newest = self._pulses.newest(self._time.now_s)
        self._read = max(newest + 1, 0 if self._read is None else self._read + 1)
        self._time.wait_until(self._pulses.ready_s(self._read))
        return self._pulses.line(self._read) or NOT_A_NUMBER

    def _newest(self) -> str:
        if self._read is None:
            raise ScpiError(-230)
        return self._pulses.line(self._read) or NOT_A_NUMBER
