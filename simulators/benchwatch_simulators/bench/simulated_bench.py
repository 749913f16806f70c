"""A running simulated bench: oscillators, counters, and their servers on loopback.

with open_bench("station") as bench:
    print(bench.resources["main"])     # TCPIP0::127.0.0.1::41234::SOCKET
    bench.turn("main", -0.1)
"""

import difflib
import secrets
import zlib
from collections.abc import Collection, Sequence
from decimal import Decimal
from typing import Self

from benchwatch.clock import Clock, SystemClock
from benchwatch.errors import BenchwatchError, UsageError
from benchwatch_simulators.bench.bench_list import bench_names
from benchwatch_simulators.bench.connection_faults import ConnectionFaults
from benchwatch_simulators.bench.control_language import Control
from benchwatch_simulators.bench.counter_wiring import CounterServers, make_instrument
from benchwatch_simulators.bench.simulated_bench_file import (
    BenchPlan,
    CounterPlan,
    load_plan,
)
from benchwatch_simulators.bench_time import BenchTime
from benchwatch_simulators.counters.delivery import Delivery
from benchwatch_simulators.counters.edge_counter import Counting
from benchwatch_simulators.counters.instrument import Instrument
from benchwatch_simulators.faults import Fault, FaultScript
from benchwatch_simulators.oscillator.oscillator import Oscillator
from benchwatch_simulators.servers.raw_socket_server import RawSocketServer

__all__ = ["ServedBench", "bench_names", "open_bench"]


class ServedBench:
    """A bench whose counters answer on loopback.

    Args:
        plan: contents of the bench file.
        port: port of the first counter, the others follow; 0 for any free ones.
        seed: seed of the noise.
        clock: clock of the bench.
        faults: faults of the counters.

    Attributes:
        name: name of the bench.
        about: one line on what the bench shows.
        resources: resource string of each counter.
        nominals: nominal of each counter's oscillator, as written in the file.
        drivers: name of the driver that reads each counter.
        checks: settings of the dial of each counter's oscillator that are to be checked, as
            written.
        proof: counters on one oscillator that are to be compared, groups of names.
        reference_u: standard uncertainty of the reference as stated, a fraction; None: it is not
            stated.
        tolerance: suggested tolerance, such as ``2 ppb``; None: none is suggested.
        settle: suggested settle limit, such as ``1 ppb/20 s``; None: none is suggested.
        seed: seed of the noise; `open_bench` makes the same bench from it.
        clock: clock of the bench.
        control_port: loopback port of the `control_language`.

    Raises:
        UsageError: a fault of an unknown counter, or an unknown bus.
        ConnectionFailed: a port can't be used.
    """

    def __init__(
        self,
        plan: BenchPlan,
        *,
        port: int,
        seed: int,
        clock: Clock,
        faults: Sequence[Fault] = (),
    ) -> None:
        self.name = plan.name
        self.about = plan.about
        self.tolerance = plan.tolerance
        self.settle = plan.settle
        self.seed = seed
        self.clock = clock
        self.nominals = {n: plan.nominals[c.oscillator] for n, c in plan.counters.items()}
        self.drivers = {n: c.wiring.reader for n, c in plan.counters.items()}
        self.checks = {n: c.checks for n, c in plan.counters.items()}
        self.proof = plan.proof
        self.reference_u = plan.reference_u
        for fault in faults:
            if fault.counter is not None:
                self._check_name(fault.counter, plan.counters)
        self._time = BenchTime(clock)
        self._oscillators = {
            name: Oscillator(spec, _seed(seed, "oscillator", name))
            for name, spec in plan.oscillators.items()
        }
        self._reference = (
            Oscillator(plan.reference, _seed(seed, "reference", "")) if plan.reference else None
        )
        self._counters = {
            name: self._counter(name, counter) for name, counter in plan.counters.items()
        }
        self._scripts = {
            name: FaultScript(
                [fault for fault in faults if fault.counter in {None, name}],
                lambda: self._time.now_s,
                _seed(seed, "faults", name),
            )
            for name in self._counters
        }
        self._servers = CounterServers(port)
        try:
            for name, counter in self._counters.items():
                delivery = Delivery(self._scripts[name], self._time)
                self._servers.add(name, plan.counters[name].wiring, counter, delivery)
            self._control = RawSocketServer(Control(self))
        except BenchwatchError:
            self._stop()
            raise
        self.control_port = self._control.port
        by_counter = self._servers.by_counter
        self.resources = {name: server.resource for name, server in by_counter.items()}
        self._connection_faults = ConnectionFaults(by_counter, self._counters, self._time)
        for name, counter_plan in plan.counters.items():
            if counter_plan.switched_on_s is not None:
                off = Fault(kind="restart", lasts_s=counter_plan.switched_on_s, counter=name)
                self._connection_faults.schedule(off, name)
        for fault in faults:
            if fault.is_break:
                for name in self.names if fault.counter is None else [fault.counter]:
                    self._connection_faults.schedule(fault, name)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Switch everything off, and cancel open gates. May be called twice."""
        self._stop()
        self._control.close()

    @property
    def names(self) -> list[str]:
        """Names of the counters."""
        return list(self._counters)

    @property
    def now_s(self) -> float:
        """Seconds since the bench was switched on."""
        return self._time.now_s

    def turn(self, counter: str, amount: float) -> None:
        """Turn the trimmer of `counter`'s oscillator by `amount` turns; positive: up."""
        self._named(counter).counting.signal.turn(self.now_s, amount)

    def rest_tool(self, counter: str, on: bool) -> None:
        """Rest a tool on that trimmer, or lift it."""
        self._named(counter).counting.signal.rest_tool(self.now_s, on=on)

    def dial(self, counter: str, frequency_hz: Decimal) -> None:
        """Dial the synthesizer at `counter`'s input to `frequency_hz`, whichever counters read it.

        Raises:
            UsageError: it has no dial, or not this setting.
        """
        try:
            self._named(counter).counting.signal.dial(self.now_s, frequency_hz)
        except UsageError as error:
            raise UsageError(f"the unit on '{counter}': {error}") from error

    def truth(self, counter: str) -> float:
        """Return the true fractional offset of `counter`'s oscillator now, without noise.

        It is the offset from what is dialled, where there is a dial.
        """
        return self._named(counter).counting.signal.truth(self.now_s)

    def plug_signal(self, counter: str, on: bool) -> None:
        """Plug the signal into `counter`, or pull it."""
        self._named(counter).counting.signal_present = on

    def plug_reference(self, counter: str, on: bool) -> None:
        """Plug the external reference into `counter`, or pull it.

        Raises:
            UsageError: the bench has no reference to plug in.
        """
        counting = self._named(counter).counting
        if on and counting.reference is None:
            raise UsageError(f"the bench '{self.name}' has no reference to plug in.")
        counting.reference_present = on

    def hang_up(self, counter: str) -> None:
        """Drop every connection to `counter`, which accepts new ones."""
        self._named(counter)
        self._servers.by_counter[counter].hang_up()

    def fault(self, counter: str, kind: str, lasts_s: float | None = None) -> None:
        """Start a fault of `counter` now.

        Args:
            counter: name of the counter.
            kind: one of `faults.FAULT_KINDS`.
            lasts_s: duration in seconds; None: as usual for the kind.
        """
        self._named(counter)
        fault = Fault(kind=kind, at_s=self.now_s, lasts_s=lasts_s, counter=counter)
        if fault.is_break:
            self._connection_faults.schedule(fault, counter)
        else:
            self._scripts[counter].add(fault)

    def received(self, counter: str) -> list[str]:
        """Return the newest messages that `counter` received, the oldest first."""
        return list(self._named(counter).received)

    def is_remote(self, counter: str) -> bool:
        """Return whether the front panel of `counter` is locked to the bus."""
        return self._named(counter).remote

    def _counter(self, name: str, plan: CounterPlan) -> Instrument:
        """Create the counter `name`."""
        counting = Counting(
            plan.counting,
            signal=self._oscillators[plan.oscillator],
            internal=Oscillator(plan.time_base, _seed(self.seed, "time base", name)),
            reference=self._reference,
            seed=_seed(self.seed, "counter", name),
        )
        return make_instrument(plan.wiring, plan.settings, counting, self._time)

    def _named(self, counter: str) -> Instrument:
        self._check_name(counter, self._counters)
        return self._counters[counter]

    @staticmethod
    def _check_name(counter: str, counters: Collection[str]) -> None:
        """Check that `counter` is one of `counters`.

        Raises:
            UsageError: it is not.
        """
        if counter not in counters:
            close = difflib.get_close_matches(counter, counters, n=1)
            hint = f"; did you mean '{close[0]}'?" if close else "."
            raise UsageError(f"no counter '{counter}'{hint} There are: {', '.join(counters)}.")

    def _stop(self) -> None:
        self._time.closing.set()
        self._servers.close()


def open_bench(
    name_or_path: str = "station",
    *,
    port: int = 0,
    seed: int | None = None,
    clock: Clock | None = None,
    faults: Sequence[Fault] = (),
) -> ServedBench:
    """Switch a simulated bench on; use it as a context manager, or `close` it.

    Args:
        name_or_path: one of `bench_names`, or the path of a bench file.
        port: port of the first counter, the others follow; 0 for any free ones.
        seed: seed of the noise; None: a random one.
        clock: clock of the bench; None: the computer's clock.
        faults: faults of the counters; `benchwatch_simulators.faults.parse_fault` reads one.

    Raises:
        UsageError: no such bench, a fault of an unknown counter, or a key in the file can't be
            used.
        FileError: the file can't be read.
        ConnectionFailed: a port can't be used.
    """
    plan = load_plan(name_or_path)
    chosen = secrets.randbits(31) if seed is None else seed
    return ServedBench(plan, port=port, seed=chosen, clock=clock or SystemClock(), faults=faults)


def _seed(seed: int, role: str, name: str) -> int:
    """Return the seed of one part of the bench."""
    return zlib.crc32(f"{seed}/{role}/{name}".encode())
