"""All simulated stations of one process, and their faults at their times."""

import heapq
import threading
from collections.abc import Callable, Mapping, Sequence
from itertools import count
from pathlib import Path
from typing import Final

from benchwatch.clock import Clock, SystemClock
from benchwatch.commands.simulated_stations.simulated_station import SimulatedStation, StationPlan
from benchwatch.errors import UsageError
from benchwatch.quantity import format_duration, printable
from benchwatch_simulators.faults import Fault
from benchwatch_simulators.stations.station_faults import CLOCK_JUMP_S, STATION_FAULTS, lasts_s

SEEDS_A_STATION: Final = 100


def station_names(stations: int, first: int) -> list[str]:
    """Return the names of stations, of which the first has the number `first`."""
    return [f"tide-{number:03d}" for number in range(first, first + stations)]


class StationChain:
    """Simulated stations, switched on together.

    Args:
        names: of the stations.
        folder: in which each station has its own.
        plan: what they have in common.
        seed: of the noise.
        faults: what goes wrong, and when.
        narrate: gets each sentence on what happens.

    Attributes:
        stations: The stations by name.

    Raises:
        UsageError: a fault of a station that there is not.
    """

    def __init__(
        self,
        names: Sequence[str],
        folder: Path,
        plan: StationPlan,
        *,
        seed: int,
        faults: Sequence[Fault] = (),
        narrate: Callable[[str], object],
    ) -> None:
        for fault in faults:
            if fault.counter is not None and fault.counter not in names:
                raise UsageError(
                    f"there is no station '{printable(fault.counter)}': they are {names[0]} to "
                    f"{names[-1]}."
                )
        self._clock: Clock = SystemClock()
        self._narrate = narrate
        self.stations: Mapping[str, SimulatedStation] = {
            name: SimulatedStation(
                name, folder / name, plan, narrate=narrate,
                seed=seed + SEEDS_A_STATION * int(name.rpartition("-")[2]),
                shift_s=min(plan.every_s, 1.0) * place / len(names),
            )
            for place, name in enumerate(names)
        }  # fmt: skip
        self._zero_s = self._clock.monotonic()
        self._ended = threading.Event()
        self._order = count()
        self._due: list[tuple[float, int, Callable[[], None]]] = []
        """What happens next: seconds since the start, a running number, and the call."""
        for fault in faults:
            self._plan_fault(fault)
        self._thread = threading.Thread(target=self._run_faults, name="faults", daemon=True)

    @property
    def now_s(self) -> float:
        """Seconds since the stations were started."""
        return self._clock.monotonic() - self._zero_s

    def start(self) -> None:
        """Switch all stations on.

        Raises:
            JournalError: a journal can't be used.
        """
        self._zero_s = self._clock.monotonic()
        for station in self.stations.values():
            station.set_power(on=True)
        self._thread.start()

    def stop(self) -> None:
        """Switch all stations off in order."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join()
        for station in self.stations.values():
            station.ask_to_stop()
        ends = [threading.Thread(target=one.stop) for one in self.stations.values()]
        for end in ends:  # each may wait for an answer to what it sends last
            end.start()
        for end in ends:
            end.join()

    def _plan_fault(self, fault: Fault) -> None:
        concerned = list(self.stations) if fault.counter is None else [fault.counter]
        begins = f"{fault.counter or 'all stations'}: {STATION_FAULTS[fault.kind]}"
        length_s = lasts_s(fault)

        def set_all(*, good: bool) -> None:
            for name in concerned:
                _set(self.stations[name], fault.kind, good=good)

        def begin() -> None:
            self._narrate(f"{begins} ({format_duration(length_s)}).")
            set_all(good=False)

        def end() -> None:
            set_all(good=True)
            self._narrate(f"{fault.counter or 'all stations'}: '{fault.kind}' is over.")

        heapq.heappush(self._due, (fault.at_s, next(self._order), begin))
        heapq.heappush(self._due, (fault.at_s + length_s, next(self._order), end))

    def _run_faults(self) -> None:
        while self._due:
            at_s, _, act = self._due[0]
            if self._clock.wait(self._ended, max(at_s - self.now_s, 0.0)):
                return
            heapq.heappop(self._due)
            act()


def _set(station: SimulatedStation, kind: str, *, good: bool) -> None:
    match kind:
        case "link":
            station.set_link(on=good)
        case "silent":
            station.set_counters(on=good)
        case "off":
            station.set_power(on=good)
        case "clock":
            station.set_clock(0.0 if good else CLOCK_JUMP_S)
        case _:
            station.set_disk(full=not good)
