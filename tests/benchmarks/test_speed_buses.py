"""Rates on every bus, each compared with a bare PyVISA loop on the same bus in the same run.

    python -m pytest tests/benchmarks/test_speed_buses.py -s

prints one table. The servers run in processes of their own; the clients are compared.
"""

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from statistics import median
from typing import TYPE_CHECKING, Any

import pytest
import pyvisa
from acquisition_kit import TEN_MHZ
from fault_kit import BUSES
from link_kit import open_link

from benchwatch.acquire import Acquisition
from benchwatch.clock import SystemClock
from benchwatch.counter import Setup

if TYPE_CHECKING:
    from pathlib import Path

QUERIES = 200
ROUNDS = 21
READINGS = 1000
LEAST = 0.3
"""Least part of the bare loop's rate. A read behind a LAN-GPIB controller needs a second query
that shows its end, which the bare loop does not send; and a shared machine is noisy."""
ASKED = [bus for bus, (_, dialect) in BUSES.items() if dialect == "scpi"]

SERVER = """
import sys, threading
from benchwatch_simulators.bench.simulated_bench import open_bench
with open_bench(sys.argv[1], seed=1) as bench:
    print(bench.resources["main"], flush=True)
    threading.Event().wait()
"""
BENCH = """
[oscillators.main]
nominal = "10 MHz"
[counters.main]
oscillator = "main"
bus = "{}"
gate = "none"
"""


@pytest.fixture(scope="module")
def resources(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """Serve a quick counter on each bus, each in a process of its own."""
    children = {}
    for bus in ASKED:
        path: Path = tmp_path_factory.mktemp("bench") / "bench.toml"
        path.write_text(BENCH.format(BUSES[bus][0]))
        children[bus] = subprocess.Popen(
            [sys.executable, "-c", SERVER, str(path)], stdout=subprocess.PIPE, text=True
        )
    found = {}
    for bus, child in children.items():
        assert child.stdout is not None
        found[bus] = child.stdout.readline().strip()
    yield found
    for child in children.values():
        child.terminate()
        child.communicate()


def rate(query: Callable[[], object]) -> tuple[float, float]:
    """Return queries a second, and microseconds of this thread's computing a query."""
    began_s, began_cpu_s = time.perf_counter(), time.thread_time()
    for _ in range(QUERIES):
        query()
    cpu_us = (time.thread_time() - began_cpu_s) / QUERIES * 1e6
    return QUERIES / (time.perf_counter() - began_s), cpu_us


@contextmanager
def bare(resource: str) -> Iterator[Callable[[], object]]:
    """Yield a query by PyVISA alone; on a raw socket behind a LAN-GPIB controller."""
    parts = resource.split("::")
    behind = parts[0] == "LANGPIB"
    opened = f"TCPIP0::{parts[1]}::{parts[2]}::SOCKET" if behind else resource
    question = "*IDN?\n++read eoi" if behind else "*IDN?"
    instrument: Any = pyvisa.ResourceManager("@py").open_resource(
        opened, read_termination="\n", write_termination="\n", timeout=2000
    )
    try:
        if behind:
            instrument.write(f"++addr {parts[3]}\n++eot_enable 0")
        yield lambda: instrument.query(question)
    finally:
        instrument.close()


@contextmanager
def guarded(resource: str) -> Iterator[Callable[[], object]]:
    """Yield a query by the guarded session."""
    link = open_link(resource)
    try:
        yield lambda: link.query("*IDN?", 2.0)
    finally:
        link.close()


def side_by_side(resource: str) -> tuple[float, float, float, float, float]:
    """Return both rates, both computing times (ours, bare), and the ratio of the rates."""
    with guarded(resource) as ours, bare(resource) as theirs:
        assert str(ours()).strip() == str(theirs()).strip()
        rounds = [(rate(ours), rate(theirs)) for _ in range(ROUNDS)]
    ratio = median(mine[0] / other[0] for mine, other in rounds)
    sides = [[pair[side][what] for pair in rounds] for what in (0, 1) for side in (0, 1)]
    our_rate, their_rate, our_us, their_us = (median(side) for side in sides)
    return our_rate, their_rate, our_us, their_us, ratio


def acquired(resource: str) -> float:
    """Readings a second of a whole acquisition, from the first to the last."""
    clock = SystemClock()
    times: list[float] = []

    def take(_: object) -> None:
        times.append(time.perf_counter())
        if len(times) == READINGS:
            acquisition.stop()

    acquisition = Acquisition(
        name="main", resource=resource, driver="scpi", setup=Setup(), nominal=TEN_MHZ,
        on_event=take, on_status=lambda _: None, open_link=open_link, clock=clock,
        origin_s=clock.monotonic(),
    )  # fmt: skip
    acquisition.start()
    acquisition.join()
    return (len(times) - 1) / (times[-1] - times[0])


def test_rates_on_every_bus(resources: dict[str, str]) -> None:
    """The guarded session reaches `LEAST` of the bare loop's rate, in alternating rounds."""
    found = {bus: side_by_side(resource) for bus, resource in resources.items()}
    readings = {bus: acquired(resource) for bus, resource in resources.items()}
    print("\n| bus | bare PyVISA, queries/s | guarded session | of bare | computing, us a query: "
          "bare | guarded | readings/s acquired |")  # fmt: skip
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for bus, (ours, theirs, our_us, their_us, ratio) in found.items():
        print(
            f"| {bus} | {theirs:.0f} | {ours:.0f} | {ratio:.2f} | {their_us:.0f} | {our_us:.0f} "
            f"| {readings[bus]:.0f} |"
        )

    assert min(ratio for *_, ratio in found.values()) > LEAST
