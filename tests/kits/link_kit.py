"""What the tests of every bus do with a guarded session."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import pyvisa

from benchwatch.bus import Buses
from benchwatch.bus.session import Session
from benchwatch.errors import ReplyError, ReplyTimeout
from benchwatch_simulators.bench.simulated_bench import ServedBench

open_link = Buses().open_link
"""Opens links of one test process; what they share, such as controllers, is shared."""


@contextmanager
def linked(bench: ServedBench, counter: str = "main") -> Iterator[Session]:
    """A guarded session to a counter on the bench."""
    link = open_link(bench.resources[counter])
    yield link
    link.close()


def after_late_replies(link: Session) -> tuple[str, str]:
    """Miss two readings; return the next answers to *OPC? at once, and to *IDN? much later."""
    with pytest.raises(ReplyTimeout):
        link.query("READ?", 0.05)
    at_once = link.query("*OPC?", 2.0)
    with pytest.raises(ReplyTimeout):
        link.query("READ?", 0.05)
    link.pause(0.4)
    return at_once, link.query("*IDN?", 2.0)


def after_a_bad_answer(
    bench: ServedBench, link: Session, kind: str, counter: str = "main"
) -> tuple[str, list[str]]:
    """Let one answer go wrong; return it, or '', and the next to *OPC? and *IDN?."""
    link.query("*IDN?", 2.0)
    bench.fault(counter, kind)
    try:
        bad = link.query("INP:COUP?", 0.3)
    except (ReplyTimeout, ReplyError):
        bad = ""
    return bad, [link.query("*OPC?", 2.0), link.query("*IDN?", 2.0)]


def hung_up_soon(bench: ServedBench, counter: str = "main") -> list[float]:
    """Pull the cable while somebody waits; the list gets the time at which that was."""
    closed: list[float] = []

    def close() -> None:
        closed.append(time.monotonic())
        bench.hang_up(counter)

    threading.Timer(0.3, close).start()
    return closed


def sessions_left_by(bench: ServedBench, times: int = 20) -> int:
    """Open, ask and close twice, again and again; return how many VISA sessions there are more."""
    sessions = pyvisa.ResourceManager("@py").visalib.sessions  # type: ignore[attr-defined]
    before = len(sessions)
    for _ in range(times):
        with linked(bench) as link:
            link.query("*IDN?", 2.0)
            link.close()
    return len(sessions) - before
