"""Rates on a raw socket, each compared with a bare PyVISA `query` loop in the same run."""

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median

import pytest
from acquisition_kit import TEN_MHZ
from link_kit import open_link

from benchwatch.acquire import Acquisition
from benchwatch.clock import SystemClock
from benchwatch.counter import Setup
from benchwatch_drivers.scpi.scpi_driver import ScpiCounter

KITS = Path(__file__).parents[1] / "kits"
QUERIES = 3000
ROUNDS = 5
SERVER = """
import threading
from acquisition_kit import COUNTER
from socket_kit import TinyServer, answering
known = {**COUNTER, "FREQ:APER?": "1E-6", "READ?": "+1.00000000231E+07"}
server = TinyServer(answering(lambda q: f"{known[q]}\\n".encode() if q in known else None))
print(server.resource, flush=True)
threading.Event().wait()
"""


@pytest.fixture(scope="module")
def resource() -> Iterator[str]:
    """Serve a quick counter in a process of its own, with its own interpreter."""
    with subprocess.Popen(
        [sys.executable, "-c", SERVER],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join((str(KITS), str(KITS / "counters")))},
    ) as child:
        assert child.stdout is not None
        yield child.stdout.readline().strip()
        child.kill()


def rate(loop: Callable[[], None]) -> float:
    """Return queries a second."""
    began = time.perf_counter()
    loop()
    return QUERIES / (time.perf_counter() - began)


def bare(resource: str) -> float:
    """Return the rate of PyVISA alone."""
    import pyvisa

    instrument = pyvisa.ResourceManager("@py").open_resource(
        resource, read_termination="\n", write_termination="\n"
    )
    try:
        return rate(lambda: [instrument.query("READ?") for _ in range(QUERIES)] and None)  # type: ignore[attr-defined]
    finally:
        instrument.close()


def guarded(resource: str) -> float:
    """Return the rate of the guarded session."""
    link = open_link(resource)
    try:
        link.query("*IDN?", 2.0)
        return rate(lambda: [link.query("READ?", 2.0) for _ in range(QUERIES)] and None)
    finally:
        link.close()


def driven(resource: str) -> float:
    """Return the rate of the session and the driver with its strict parser."""
    link = open_link(resource)
    try:
        counter = ScpiCounter(link)
        counter.identify()
        counter.measure(2.0)
        return rate(lambda: [counter.measure(2.0) for _ in range(QUERIES)] and None)
    finally:
        link.close()


def acquired(resource: str) -> float:
    """Return the rate of a whole acquisition, from the thread's start, with its connect."""
    clock = SystemClock()
    left = QUERIES

    def take(_: object) -> None:
        nonlocal left
        left -= 1
        if left == 0:
            acquisition.stop()

    acquisition = Acquisition(
        name="main", resource=resource, driver="scpi", setup=Setup(), nominal=TEN_MHZ,
        on_event=take, on_status=lambda _: None, open_link=open_link, clock=clock,
        origin_s=clock.monotonic(),
    )  # fmt: skip

    def run() -> None:
        acquisition.start()
        acquisition.join()

    return rate(run)


@pytest.mark.parametrize(
    ("loop", "least"),
    [(guarded, 0.5), (driven, 0.35), (acquired, 0.25)],
    ids=lambda x: getattr(x, "__name__", x),
)
def test_rate_against_a_bare_pyvisa_loop(
    resource: str, loop: Callable[[str], float], least: float
) -> None:
    """Each rate is at least a stated part of the bare loop's, in rounds that alternate with it.

    The limits leave room for the noise of a shared machine.
    """
    pairs = [(loop(resource), bare(resource)) for _ in range(ROUNDS)]

    ratio = median(ours / theirs for ours, theirs in pairs)
    print(f"\n{loop.__name__}: {median(p[0] for p in pairs):.0f}/s, {ratio:.2f} of bare PyVISA")

    assert ratio >= least
