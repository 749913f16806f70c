"""Steps that the tests of every bus take with a guarded session."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pyvisa
from load_kit import LONGEST_WAIT_S

from benchwatch.bus import Buses
from benchwatch.bus.session import Session
from benchwatch.errors import ReplyError, ReplyTimeout
from benchwatch_simulators.bench.simulated_bench import ServedBench

open_link = Buses().open_link
"""Opens links; all tests of a process share one `Buses`, and so its controllers."""


@contextmanager
def linked(bench: ServedBench, counter: str = "main") -> Iterator[Session]:
    """Open a guarded session to a counter on the bench."""
    link = open_link(bench.resources[counter])
    yield link
    link.close()


def miss_a_reading(link: Session) -> None:
    """Ask for a reading and wait too short for it.

    If this thread gets no processor for so long that it has come, it is asked again.
    """
    for _ in range(50):
        try:
            link.query("READ?", 0.05)
        except ReplyTimeout:
            return
    raise AssertionError("each reading came at once")


def after_late_replies(link: Session) -> tuple[str, str]:
    """Miss a reading and query *OPC? at once; miss another and query *IDN? later; return both."""
    miss_a_reading(link)
    at_once = link.query("*OPC?", LONGEST_WAIT_S)
    miss_a_reading(link)
    link.pause(0.4)
    return at_once, link.query("*IDN?", LONGEST_WAIT_S)


def after_a_bad_answer(
    bench: ServedBench, link: Session, kind: str, counter: str = "main"
) -> tuple[str, list[str]]:
    """Make one answer faulty; return it, or '', and the answers to *OPC? and *IDN? after it."""
    link.query("*IDN?", LONGEST_WAIT_S)
    bench.fault(counter, kind)
    try:
        bad = link.query("INP:COUP?", 0.3)
    except (ReplyTimeout, ReplyError):
        bad = ""
    return bad, [link.query("*OPC?", LONGEST_WAIT_S), link.query("*IDN?", 2.0)]


def hung_up_soon(bench: ServedBench, counter: str = "main") -> list[float]:
    """Close the connection after 0.3 s; return a list that then gets the time of that."""
    closed: list[float] = []

    def close() -> None:
        closed.append(time.monotonic())
        bench.hang_up(counter)

    threading.Timer(0.3, close).start()
    return closed


def sessions_left_by(bench: ServedBench, times: int = 20) -> int:
    """Open, query and close (twice) `times` times; return how many VISA sessions were not freed."""
    sessions = pyvisa.ResourceManager("@py").visalib.sessions  # type: ignore[attr-defined]
    before = len(sessions)
    for _ in range(times):
        with linked(bench) as link:
            link.query("*IDN?", LONGEST_WAIT_S)
            link.close()
    return len(sessions) - before
