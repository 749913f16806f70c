"""Creates a counter of a dialect, and the server that connects it to a bus."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from benchwatch.errors import UsageError
from benchwatch_simulators.bench_time import BenchTime
from benchwatch_simulators.counters.counter_settings import ScpiCounterSpec
from benchwatch_simulators.counters.delivery import Delivery
from benchwatch_simulators.counters.edge_counter import Counting
from benchwatch_simulators.counters.instrument import Instrument
from benchwatch_simulators.counters.interval_counter import IntervalCounter, Pulses
from benchwatch_simulators.counters.scpi_counter import SimulatedScpiCounter
from benchwatch_simulators.counters.talk_only import Gates, TalkOnlyCounter
from benchwatch_simulators.counters.terse_counter import TerseCounter
from benchwatch_simulators.servers.gpib_controller import GpibController, GpibInstrument
from benchwatch_simulators.servers.hislip_server import HislipServer
from benchwatch_simulators.servers.raw_socket_server import RawSocketServer
from benchwatch_simulators.servers.serial_server import SerialServer
from benchwatch_simulators.servers.vxi11_server import Vxi11Server

BUSES = ("socket", "hislip", "vxi11", "serial", "lan-gpib")
DIALECTS = ("scpi", "terse", "talk-only", "interval", "interval-talk-only")


@dataclass(frozen=True, slots=True, kw_only=True)
class WiringSpec:
    """The bus and the dialect of a counter."""

    bus: str = "socket"
    dialect: str = "scpi"
    style: str = "number"
    """Form of a talk-only counter's lines: ``number`` or ``display``."""
    address: int | None = None
    """Address on a bus that has addresses; None: the next free one."""
    pulse_s: float = 1.0
    """Seconds from pulse to pulse at a time-interval counter's inputs."""
    interval_s: float = 0.25
    """Reading of a time-interval counter at power-on, seconds."""
    driver: str | None = None
    """Name of the driver that reads the counter; None: the driver of its dialect, see `reader`."""

    @property
    def reader(self) -> str:
        """Name of the driver that reads this dialect, in this style, on this bus."""
        if self.driver is not None:
            return self.driver
        if self.dialect == "talk-only" and self.style == "display":
            return "talk-only-display"
        if self.dialect == "terse" and self.bus == "lan-gpib":
            return "terse-addressed"
        return self.dialect


class CounterServer(Protocol):
    """The server of one counter."""

    @property
    def resource(self) -> str:
        """The resource string."""

    def close(self) -> None:
        """Stop serving."""

    def hang_up(self) -> None:
        """Drop every connection, but accept new ones."""

    def suspend(self) -> None:
        """Drop every connection and accept none, until `resume`."""

    def resume(self) -> None:
        """Accept connections again."""

    def power_off(self) -> None:
        """Make the instrument appear switched off, until `power_on`."""

    def power_on(self) -> None:
        """Make the instrument appear switched on again."""


def make_instrument(
    wiring: WiringSpec, settings: ScpiCounterSpec, counting: Counting, time: BenchTime
) -> Instrument:
    """Create a counter.

    Args:
        wiring: its dialect, and properties that depend on it.
        settings: identity, gate and state at power-on.
        counting: its counting circuit.
        time: time of the bench.
    """
    if wiring.dialect == "terse":
        return TerseCounter(settings.gate_s, counting, time)
    if wiring.dialect == "talk-only":
        return TalkOnlyCounter(
            Gates(counting, settings.gate_s, settings.dead_s, wiring.style), time
        )
    if wiring.dialect == "interval":
        pulses = Pulses(counting, wiring.pulse_s, wiring.interval_s)
        return IntervalCounter(settings.identity, pulses, time)
    if wiring.dialect == "interval-talk-only":
        return TalkOnlyCounter(Pulses(counting, wiring.pulse_s, wiring.interval_s), time)
    return SimulatedScpiCounter(settings, counting, time)


class CounterServers:
    """Creates the servers of all counters of a bench.

    Args:
        port: port of the first server, the others follow; 0 for any free ones.
    """

    def __init__(self, port: int = 0) -> None:
        self._port = port
        self._controller: GpibController | None = None
        self._made: dict[str, CounterServer] = {}

    @property
    def by_counter(self) -> Mapping[str, CounterServer]:
        """The servers by the name of the counter."""
        return self._made

    def add(
        self, name: str, wiring: WiringSpec, instrument: Instrument, delivery: Delivery
    ) -> None:
        """Create the server of the counter `name`.

        Args:
            name: name of the counter.
            wiring: its bus and address.
            instrument: the counter.
            delivery: applies the faults of its answers.

        Raises:
            UsageError: there is no such bus.
            ConnectionFailed: the port can't be used.
        """
        self._made[name] = self._make(name, wiring, instrument, delivery)

    def close(self) -> None:
        """Close all servers."""
        for server in self._made.values():
            server.close()

    def _make(
        self, name: str, wiring: WiringSpec, instrument: Instrument, delivery: Delivery
    ) -> CounterServer:
        if wiring.bus == "socket":
            return RawSocketServer(instrument, self._next_port(), delivery=delivery)
        if wiring.bus == "hislip":
            return HislipServer(instrument, self._next_port(), delivery)
        if wiring.bus == "vxi11":
            return Vxi11Server(instrument, self._next_port(), delivery)
        if wiring.bus == "serial":
            return SerialServer(instrument, name, delivery)
        if wiring.bus == "lan-gpib":
            if self._controller is None:
                self._controller = GpibController(self._next_port())
            return GpibInstrument(self._controller, wiring.address, instrument, delivery)
        raise UsageError(f"'{name}': there is no bus '{wiring.bus}'. There are: {BUSES}.")

    def _next_port(self) -> int:
        port = self._port
        self._port += 1 if port else 0
        return port
