"""Time-interval counters: from a pulse of the reference to the next pulse of the oscillator.

Both are divided down to one pulse a period, usually a second (1 PPS). The pulses of an oscillator
that runs fast come earlier every time, so the interval falls; below zero it wraps to a period. The
offset of the frequency is minus the slope of the interval.
"""

import math
import threading
from decimal import Decimal

from benchwatch_simulators.bench_time import CLOCK_ROUNDING_S, BenchTime
from benchwatch_simulators.counters.edge_counter import Counting
from benchwatch_simulators.scpi.scpi_errors import ScpiError
from benchwatch_simulators.scpi.scpi_instrument import NOT_A_NUMBER, ScpiInstrument


class Pulses:
    """Measures one interval a pulse of the reference; intervals are numbered from power-on.

    Args:
        counting: counting circuit with signal and reference.
        period_s: seconds from pulse to pulse.
        first_s: interval at power-on, seconds.
    """

    def __init__(self, counting: Counting, period_s: float, first_s: float) -> None:
        self.counting = counting
        self.period_s = period_s
        self._phase_s = first_s
        self._reached_s = 0.0
        self._lock = threading.Lock()
        self._measured: tuple[int, Decimal] = (-1, Decimal(0))
        """Number and seconds of the newest interval."""

    def newest(self, at_s: float) -> int:
        """Return the number of the newest complete interval; that at power-on is number 0."""
        return math.floor((at_s + CLOCK_ROUNDING_S) / self.period_s) - 1

    def ready_s(self, number: int) -> float:
        """Return when interval `number` is complete: one period after its beginning."""
        return (number + 1) * self.period_s

    def line(self, number: int) -> str | None:
        """Return interval `number` in seconds as text; None without a signal."""
        interval = self.interval(number)
        return None if interval is None else f"{interval:+E}"

    def interval(self, number: int) -> Decimal | None:
        """Return interval `number` in seconds; None without a signal.

        `number` must not fall from call to call; it may be repeated.
        """
        if not self.counting.signal_present:
            return None
        with self._lock:
            if self._measured[0] != number:
                self._measured = (number, self._measure(number * self.period_s))
            return self._measured[1]

    def _measure(self, at_s: float) -> Decimal:
        """Advance the interval to `at_s`, and return it in whole ticks."""
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
        identity: answer to ``*IDN?``.
        pulses: measures the intervals.
        time: time of the bench.
    """

    def __init__(self, identity: str, pulses: Pulses, time: BenchTime) -> None:
        super().__init__(identity)
        self._pulses = pulses
        self._time = time
        self._read: int | None = None
        add = self.tree.add
        for pattern in ("READ", "READ:TINTerval", "MEASure:TINTerval"):
            add(f"{pattern}?", self._next)
        add("FETCh?", self._repeat)
        add("FETCh:TINTerval?", self._repeat)
        add("[SENSe:]FUNCtion[:ON]?", lambda: '"TINT 1,2"')
        source = "[SENSe:]ROSCillator:SOURce?"
        add(source, lambda: "EXT" if self.counting.shows_external else "INT")

    @property
    def counting(self) -> Counting:
        """The counting circuit, with the signals that are plugged in."""
        return self._pulses.counting

    def reset(self) -> None:
        """Make the last reading invalid; there are no settings."""
        self._read = None

    def _next(self) -> str:
        """Wait for the next interval that was not read yet, and return it."""
        newest = self._pulses.newest(self._time.now_s)
        self._read = max(newest + 1, 0 if self._read is None else self._read + 1)
        self._time.wait_until(self._pulses.ready_s(self._read))
        return self._pulses.line(self._read) or NOT_A_NUMBER

    def _repeat(self) -> str:
        """Return the interval read last.

        Raises:
            ScpiError: -230: none was read.
        """
        if self._read is None:
            raise ScpiError(-230)
        return self._pulses.line(self._read) or NOT_A_NUMBER
