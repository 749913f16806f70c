"""Many counters in a process of their own, and some that can't be reached or read."""

import contextlib
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

COUNTER_PROGRAM = Path(__file__).parents[1] / "counter_kit.py"
SIMULATED = """
about = "many counters on the station's oscillator, warm already"
[oscillators.main]
nominal = "10 MHz"
landing = "37 ppb"
white_fm = "5e-11"
"""
COUNTER = """
[counters.{}]
oscillator = "main"
gate = "{:g} s"
"""
SERVER = """
import sys
from benchwatch_simulators.bench.simulated_bench import open_bench

with open_bench(sys.argv[1], seed=5) as bench:
    for resource in bench.resources.values():
        print(resource, flush=True)
    for line in sys.stdin:
        kind, lasts_s, *names = line.split()
        for name in names:
            bench.fault(name, kind, float(lasts_s))
        print(kind, flush=True)
"""
"""Serves a bench, and begins the faults that it is told on standard input."""
WATCHED = """
[counters.{}]
resource = "{}"
nominal = "10 MHz"
"""


def names_of(count: int) -> list[str]:
    """Return names of counters, in their order."""
    return [f"c{number:03d}" for number in range(count)]


class SimulatedCounters:
    """Simulated counters in a process of their own; close it at the end.

    Args:
        folder: where the file of the bench is written.
        count: how many.
        gate_s: the gate of each.
    """

    def __init__(self, folder: Path, count: int, gate_s: float) -> None:
        file = folder / "simulated.toml"
        names = names_of(count)
        file.write_text(SIMULATED + "".join(COUNTER.format(name, gate_s) for name in names))
        self._server = subprocess.Popen(
            [sys.executable, "-c", SERVER, str(file)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        self.resources = {name: self._answer() for name in names}

    @property
    def pid(self) -> int:
        """The process."""
        return self._server.pid

    def fault(self, kind: str, lasts_s: float, *names: str) -> None:
        """Begin a fault of some counters now; `kind` as in ``simulate --fault``."""
        assert self._server.stdin is not None
        self._server.stdin.write(f"{kind} {lasts_s} {' '.join(names)}\n")
        self._server.stdin.flush()
        assert self._answer() == kind

    def close(self) -> None:
        """End the process."""
        self._server.kill()
        self._server.communicate()

    def _answer(self) -> str:
        assert self._server.stdout is not None
        return self._server.stdout.readline().strip()


class NumberedCounters:
    """Counters whose readings are numbered, in a process of their own; close it at the end.

    Args:
        count: how many.
        gate_s: seconds from reading to reading of each.
    """

    def __init__(self, count: int, gate_s: float) -> None:
        self._server = subprocess.Popen(
            [sys.executable, str(COUNTER_PROGRAM), str(gate_s), str(count)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self._server.stdout is not None
        self.resources = {name: self._server.stdout.readline().strip() for name in names_of(count)}

    def answered(self) -> dict[str, int]:
        """Return how many readings each counter has sent."""
        assert self._server.stdin is not None
        assert self._server.stdout is not None
        self._server.stdin.write("\n")
        self._server.stdin.flush()
        counts = map(int, self._server.stdout.readline().split())
        return dict(zip(self.resources, counts, strict=True))

    def close(self) -> None:
        """End the process."""
        self._server.kill()
        self._server.communicate()


def watched_bench(folder: Path, resources: dict[str, str]) -> Path:
    """Write a bench file of these counters; return its path."""
    file = folder / "bench.toml"
    file.write_text("".join(WATCHED.format(*pair) for pair in resources.items()))
    return file


@contextlib.contextmanager
def black_hole() -> Iterator[str]:
    """Yield a resource to which a connection is neither made nor refused.

    The queue of the listening socket is full, so that the system drops further requests (listen(2):
    with a protocol that retransmits, the request may be ignored so that it is tried again).
    """
    with contextlib.ExitStack() as stack:
        listener = stack.enter_context(socket.socket())
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        for _ in range(4):
            waiting = stack.enter_context(socket.socket())
            waiting.setblocking(False)
            waiting.connect_ex(listener.getsockname())
        yield f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"


def cpu_s(process: int) -> float:
    """Return the processor time of a process and its threads, seconds (proc(5), stat 14 and 15)."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def rss_mb(process: int) -> float:
    """Return the resident memory of a process, in megabytes (proc(5), statm 2)."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6
