"""Faults of connections: closes connections and cuts power at the stated times."""

import contextlib
import threading
from collections.abc import Callable, Mapping

from benchwatch_simulators.bench.counter_wiring import CounterServer
from benchwatch_simulators.bench_time import BenchTime, InstrumentClosed
from benchwatch_simulators.counters.instrument import Instrument
from benchwatch_simulators.faults import Fault


class ConnectionFaults:
    """Closes connections and cuts power at the times that faults state.

    Args:
        servers: servers by the name of the counter.
        instruments: counters by name.
        time: time of the bench.
    """

    def __init__(
        self,
        servers: Mapping[str, CounterServer],
        instruments: Mapping[str, Instrument],
        time: BenchTime,
    ) -> None:
        self._servers = servers
        self._instruments = instruments
        self._time = time

    def schedule(self, fault: Fault, counter: str) -> None:
        """Apply `fault` to `counter`: now, or later at its time, on another thread."""
        if fault.at_s > self._time.now_s:
            self._later(fault.at_s, lambda: self.schedule(fault, counter))
            return
        server = self._servers[counter]
        if fault.kind == "restart":
            server.power_off()
            self._instruments[counter].power_cycle()
            self._later(fault.until_s, server.power_on)
        elif fault.until_s > fault.at_s:
            server.suspend()
            self._later(fault.until_s, server.resume)
        else:
            server.hang_up()

    def _later(self, at_s: float, act: Callable[[], None]) -> None:
        """Call `act` at `at_s`, bench time, on another thread."""

        def wait() -> None:
            with contextlib.suppress(InstrumentClosed):  # a closed bench has no faults
                self._time.wait_until(at_s)
                act()

        threading.Thread(target=wait, name="bench fault", daemon=True).start()
