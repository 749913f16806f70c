"""Faults of the connection: the thread that pulls the plug on time, and puts it back."""

import threading
from collections.abc import Callable, Mapping

from benchwatch.clock import Clock
from benchwatch_simulators.faults import Fault
from benchwatch_simulators.instrument import Instrument
from benchwatch_simulators.wiring import Server


class Breaker:
    """Closes connections, and cuts power, when the faults say so.

    Args:
        servers: by the names of the counters.
        instruments: likewise.
        clock: the bench's.
        zero_s: ``clock.monotonic()`` when the bench was switched on.
        closing: set when the bench closes.
    """

    def __init__(
        self,
        servers: Mapping[str, Server],
        instruments: Mapping[str, Instrument],
        clock: Clock,
        zero_s: float,
        closing: threading.Event,
    ) -> None:
        self._servers = servers
        self._instruments = instruments
        self._clock = clock
        self._zero = zero_s
        self._closing = closing

    def plan(self, fault: Fault, counter: str) -> None:
        """Do what `fault` says to `counter`, on a thread of its own unless it is due now."""
        now_s = self._clock.monotonic() - self._zero
        if fault.at_s > now_s:
            self._later(fault.at_s, lambda: self.plan(fault, counter))
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
        def wait() -> None:
            while (left_s := at_s - (self._clock.monotonic() - self._zero)) > 0:
                if self._clock.wait(self._closing, left_s):
                    return
            act()

        threading.Thread(target=wait, name="bench fault", daemon=True).start()
