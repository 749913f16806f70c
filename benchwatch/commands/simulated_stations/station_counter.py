"""The counters of a simulated station: an oscillator's readings without a bus between."""

import threading
from collections.abc import Callable
from typing import Final

from benchwatch.clock import Clock
from benchwatch.counter import Identity, Link, Measurement, Setup, TimeBase
from benchwatch.errors import LinkLost, ReplyTimeout
from benchwatch.quantity import last_digit
from benchwatch_simulators.counters.edge_counter import Counting, CountingSpec
from benchwatch_simulators.oscillator.oscillator import Oscillator, OscillatorSpec

SPECS: Final = (
    OscillatorSpec(
        warm_up=((2e-7, 240.0),), ageing_per_day=1e-10, white_fm=1e-11, flicker_fm=3e-12
    ),
    OscillatorSpec(landing=1.5e-9, white_fm=3e-11, flicker_fm=5e-12),
)
"""The units on a station's counters: one that warms up, and one that is warm."""


class CounterLink:
    """What the acquisition opens for a simulated counter; nothing is sent over it.

    Args:
        resource: its name.
        cancel: ends every wait when set.
        clock: of the station.
    """

    never_duplicates = True
    arrived_s = fetched_s = unpolled_s = 0.0
    lines_fetched = 1

    def __init__(self, resource: str, cancel: threading.Event, clock: Clock) -> None:
        self.resource = resource
        self._cancel, self._clock = cancel, clock

    def now(self) -> float:
        """Return monotonic seconds."""
        return self._clock.monotonic()

    def pause(self, timeout_s: float) -> None:
        """Wait for `timeout_s`.

        Raises:
            LinkLost: the run was stopped.
        """
        if self._clock.wait(self._cancel, timeout_s):
            raise LinkLost("the run was stopped.")

    def use_terminator(self, terminator: str) -> None:
        """Do nothing: there are no lines."""

    def write(self, command: str) -> None:
        """Do nothing: nobody listens."""

    def read(self, timeout_s: float) -> str:
        """Wait in vain."""
        self.pause(timeout_s)
        raise ReplyTimeout("a simulated counter of a station answers no queries.")

    def query(self, query: str, timeout_s: float) -> str:  # noqa: ARG002 - a link's signature
        """Wait in vain."""
        return self.read(timeout_s)

    def discard_input(self) -> None:
        """Do nothing: nothing waits."""

    def close(self) -> None:
        """Do nothing: nothing is open."""


class CountedUnit:
    """A unit and the counting circuit at its output, which stay on when the station is off.

    Args:
        name: of the counter.
        number: of the unit, from 0.
        seed: of the noise.
        gate_s: seconds of a gate.
        is_silent: returns whether no reading is given now.
    """

    def __init__(
        self, name: str, number: int, *, seed: int, gate_s: float, is_silent: Callable[[], bool]
    ) -> None:
        unit = Oscillator(SPECS[number % len(SPECS)], seed)
        own = Oscillator(OscillatorSpec(), seed + 1)
        self.name, self.gate_s, self.is_silent = name, gate_s, is_silent
        self.counting = Counting(CountingSpec(), unit, own, None, seed + 2)


class StationCounter:
    """A driver's counter: counts a unit, one gate after another.

    Args:
        link: ends its waits.
        unit: what it counts.
        zero_s: monotonic seconds at which the unit was switched on.
        shift_s: seconds by which the first gate opens later, so that not all stations have a
            reading at the same moment.
    """

    def __init__(self, link: Link, *, unit: CountedUnit, zero_s: float, shift_s: float) -> None:
        self._link, self._unit, self._zero_s = link, unit, zero_s
        self._opens_s = link.now() - zero_s + shift_s
        """When the next gate opens, seconds since the unit was switched on."""

    def identify(self) -> Identity:
        """Return what it is."""
        return Identity(f"simulated counter {self._unit.name}")

    def configure(self, setup: Setup) -> Setup:  # noqa: ARG002 - a driver's signature
        """Set nothing: the gate follows from the interval."""
        return Setup()

    def gate_s(self) -> float:
        """Return the gate, in seconds."""
        return self._unit.gate_s

    def time_base(self) -> TimeBase:
        """Return that the gates are counted by a reference."""
        return TimeBase("external")

    def release(self) -> None:
        """Do nothing."""

    def measure(self, timeout_s: float) -> Measurement:
        """Wait for the end of the next gate, and count it.

        Raises:
            ReplyTimeout: it is silent.
        """
        gate_s, now_s = self._unit.gate_s, self._link.now() - self._zero_s
        opens_s = self._opens_s if now_s < self._opens_s + gate_s else now_s
        self._link.pause(max(opens_s + gate_s - now_s, 0.0))
        if self._unit.is_silent():
            self._link.pause(max(timeout_s - gate_s, 0.0))
            raise ReplyTimeout("no reading came.")
        self._opens_s = opens_s + gate_s
        hertz = self._unit.counting.count(opens_s, gate_s)
        return Measurement(
            hertz,
            resolution_hz=0.0 if hertz is None else last_digit(hertz),
            arrived_s=self._link.now(),
        )
