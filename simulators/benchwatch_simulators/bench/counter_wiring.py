"""Makes a counter by its dialect, and puts it on a bus by a server."""

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
    """How a talk-only counter writes: ``number`` or ``display``."""
    address: int | None = None
    """On a bus with addresses; None: the next free one."""
    pulse_s: float = 1.0
    """From pulse to pulse of a time-interval counter's inputs."""
    interval_s: float = 0.25
    """A time-interval counter's reading at power-on."""
    driver: str | None = None
    """The driver that reads it; None: the one of its dialect, see `reader`."""

    @property
    def reader(self) -> str:
        """The driver that reads this dialect, written in this style, on this bus."""
        if self.driver is not None:
            return self.driver
        if self.dialect == "talk-only" and self.style == "display":
            return "talk-only-display"
        if self.dialect == "terse" and self.bus == "lan-gpib":
            return "terse-addressed"
        return self.dialect


class Server(Protocol):
    """A server of one counter, as the bench uses it."""

    @property
    def resource(self) -> str:
        """Its resource string."""

    def close(self) -> None:
        """Serve no more."""

    def hang_up(self) -> None:
        """Drop every connection, and serve the next."""

    def suspend(self) -> None:
        """Drop every connection and take none, until `resume`."""

    def resume(self) -> None:
        """Take connections again."""

    def power_off(self) -> None:
        """The instrument is off, until `power_on`."""

    def power_on(self) -> None:
        """The instrument is on again."""


def make_instrument(
    wiring: WiringSpec, settings: ScpiCounterSpec, counting: Counting, time: BenchTime
) -> Instrument:
    """Build the counter with the dialect of `wiring`."""
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


class Servers:
    """Puts instruments on buses, one after another.

    Args:
        port: of the first, the others follow; 0 for any free ones.
    """

    def __init__(self, port: int = 0) -> None:
        self._port = port
        self._controller: GpibController | None = None
        self._made: dict[str, Server] = {}

    @property
    def by_counter(self) -> Mapping[str, Server]:
        """The servers, by the names of the counters."""
        return self._made

    def add(
        self, name: str, wiring: WiringSpec, instrument: Instrument, delivery: Delivery
    ) -> None:
        """Serve `instrument` under `name`.

        Raises:
            UsageError: there is no such bus.
            ConnectionFailed: the port can't be had.
        """
        self._made[name] = self._make(name, wiring, instrument, delivery)

    def close(self) -> None:
        """Close all."""
        for server in self._made.values():
            server.close()

    def _make(
        self, name: str, wiring: WiringSpec, instrument: Instrument, delivery: Delivery
    ) -> Server:
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
