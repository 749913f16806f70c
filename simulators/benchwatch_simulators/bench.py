"""A simulated bench, switched on: oscillators, counters, and their sockets on loopback.

with open_bench("station") as bench:
    print(bench.resources["main"])     # TCPIP0::127.0.0.1::41234::SOCKET
    bench.turn("main", -0.1)
"""

import difflib
import secrets
import threading
import zlib
from types import TracebackType
from typing import Self

from benchwatch.clock import Clock, SystemClock
from benchwatch.errors import BenchwatchError, UsageError
from benchwatch_simulators.bench_file import BenchPlan, CounterPlan, bench_names, load_plan
from benchwatch_simulators.control import Control
from benchwatch_simulators.counter import Counting
from benchwatch_simulators.oscillator import Oscillator
from benchwatch_simulators.scpi_counter import ScpiCounter
from benchwatch_simulators.server import LineServer

__all__ = ["ServedBench", "bench_names", "open_bench"]


class ServedBench:
    """A bench that is on and answers.

    Attributes:
        name: of the bench.
        about: what it shows, one line.
        resources: resource string of each counter.
        nominals: nominal frequency of each counter's oscillator, as a person writes it.
        tolerance: suggested, such as ``2 ppb``; None when the bench suggests none.
        settle: suggested settle limit, such as ``1 ppb/20 s``; None likewise.
        seed: what makes the noise; pass it to `open_bench` to have the same bench again.
        clock: the bench's clock.
        control_port: loopback port of the line language of `benchwatch_simulators.control`.
    """

    def __init__(self, plan: BenchPlan, *, port: int, seed: int, clock: Clock) -> None:
        self.name = plan.name
        self.about = plan.about
        self.tolerance = plan.tolerance
        self.settle = plan.settle
        self.seed = seed
        self.clock = clock
        self.nominals = {n: plan.nominals[c.oscillator] for n, c in plan.counters.items()}
        self._zero = clock.monotonic()
        self._closing = threading.Event()
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
        self._servers: dict[str, LineServer] = {}
        try:
            for number, (name, counter) in enumerate(self._counters.items()):
                self._servers[name] = LineServer(counter, port + number if port else 0)
            self._control = LineServer(Control(self))
        except BenchwatchError:
            self._stop()
            raise
        self.control_port = self._control.port
        self.resources = {
            name: f"TCPIP0::127.0.0.1::{server.port}::SOCKET"
            for name, server in self._servers.items()
        }

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Switch everything off; gates that are open are called off. May be called twice."""
        self._stop()
        self._control.close()

    @property
    def names(self) -> list[str]:
        """The counters."""
        return list(self._counters)

    @property
    def now_s(self) -> float:
        """Seconds since the bench was switched on."""
        return self.clock.monotonic() - self._zero

    def turn(self, counter: str, amount: float) -> None:
        """Turn the trimmer of the oscillator at `counter` by `amount` turns, positive: up."""
        self._named(counter).counting.signal.turn(self.now_s, amount)

    def rest_tool(self, counter: str, on: bool) -> None:
        """Rest a tool on that trimmer, or lift it."""
        self._named(counter).counting.signal.rest_tool(self.now_s, on=on)

    def truth(self, counter: str) -> float:
        """Return the true offset now of the oscillator at `counter`, its noise left out."""
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
        """Drop every connection to `counter`; it still listens."""
        self._named(counter)
        self._servers[counter].hang_up()

    def heard(self, counter: str) -> list[str]:
        """Return the newest messages `counter` was sent, the oldest first."""
        return list(self._named(counter).heard)

    def is_remote(self, counter: str) -> bool:
        """Tell whether the front panel of `counter` is locked to the bus."""
        return self._named(counter).remote

    def _counter(self, name: str, plan: CounterPlan) -> ScpiCounter:
        counting = Counting(
            plan.counting,
            signal=self._oscillators[plan.oscillator],
            internal=Oscillator(plan.time_base, _seed(self.seed, "time base", name)),
            reference=self._reference,
            seed=_seed(self.seed, "counter", name),
        )
        return ScpiCounter(plan.front, counting, self.clock, self._zero, self._closing)

    def _named(self, counter: str) -> ScpiCounter:
        if counter not in self._counters:
            close = difflib.get_close_matches(counter, self._counters, n=1)
            hint = f"; did you mean '{close[0]}'?" if close else ""
            raise UsageError(f"no counter '{counter}'{hint} There are: {', '.join(self.names)}.")
        return self._counters[counter]

    def _stop(self) -> None:
        self._closing.set()
        for server in self._servers.values():
            server.close()


def open_bench(
    name_or_path: str = "station",
    *,
    port: int = 0,
    seed: int | None = None,
    clock: Clock | None = None,
) -> ServedBench:
    """Switch a simulated bench on; use it as a context manager, or `close` it.

    Args:
        name_or_path: one of `bench_names`, or the path of a bench file.
        port: of the first counter, the others follow; 0 for any free ones.
        seed: makes the noise; None for a fresh one.
        clock: the computer's own unless given.

    Raises:
        UsageError: no such bench, or a key in its file can't be used.
        FileError: the file can't be read.
        ConnectionFailed: a port can't be had.
    """
    plan = load_plan(name_or_path)
    chosen = secrets.randbits(31) if seed is None else seed
    return ServedBench(plan, port=port, seed=chosen, clock=clock or SystemClock())


def _seed(seed: int, role: str, name: str) -> int:
    return zlib.crc32(f"{seed}/{role}/{name}".encode())
