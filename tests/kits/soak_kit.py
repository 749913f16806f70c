"""A watch of many hours in fast time, on a simulated bench with faults and real sockets."""

import gc
import itertools
import threading
import time
from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Any

import psutil
from link_kit import open_link
from pyvisa import ResourceManager

from benchwatch.acquire import Acquisition
from benchwatch.estimate.results import SettleLimit
from benchwatch.journal import Journal
from benchwatch.line_output import json_line
from benchwatch.plan import Plan
from benchwatch.reading import REPEAT, Gap, Reading
from benchwatch.run.counters_in_run import RunLimits
from benchwatch.run.live_watch import LiveWatch
from benchwatch_simulators.bench.simulated_bench import ServedBench, open_bench
from benchwatch_simulators.bench_time import ManualClock

BENCH = """
about = "an oscillator that moves by 1 mHz a second, so that no two readings are alike"

[reference]
landing = "0 ppb"

[oscillators.main]
nominal = "10 MHz"
ageing_per_day = "8640 ppb"
white_fm = "5e-12"

[counters.main]
oscillator = "main"
gate = "1 s"
resolution = "1e-11 s"
"""
FAULTS = (
    ("cut", None), ("mute", 4.0), ("closed", None), ("garbage", None), ("late", 3.0),
    ("huge", None), ("closed", 5.0), ("doubled", None), ("slow", 4.0), ("wrong-answer", None),
    ("restart", 3.0), ("out-of-step", None), ("mute", 20.0), ("doubled", 1.1),
)  # fmt: skip
"""Every kind of fault, some twice, and its duration in seconds, if it has one."""
FAULT_EVERY_S = 60.0
SESSIONS = 1
"""VISA sessions of one counter's link; the manager's own session is not counted."""
BLINK_S, BLINKS, MOST_BLINKS = 0.0002, 20, 5000
"""A wait for bytes in real seconds, and the number of waits after which the counter counts as
silent: few once it has executed every line, many before, as the computer may be busy."""


class SoakClock(ManualClock):
    """A clock of the bench that jumps to the next event.

    A wait of the program sets the clock to its end at once. A wait of the bench (a gate, a late
    answer) blocks until the program has waited so long.
    """

    def __init__(self) -> None:
        super().__init__()
        self._dues: dict[int, float] = {}

    def next_due_s(self) -> float | None:
        """Return the end of the bench's next wait; None while the bench does not wait."""
        with self._moved:
            return min(self._dues.values(), default=None)

    def wait(self, event: threading.Event, timeout_s: float) -> bool:
        """Wait for `event`, or until the clock has advanced by `timeout_s`."""
        if not threading.current_thread().name.startswith("bench"):
            self.advance(max(0.0, timeout_s))
            return event.is_set()
        with self._moved:
            self._dues[threading.get_ident()] = self.monotonic() + timeout_s
        try:
            return super().wait(event, timeout_s)
        finally:
            with self._moved:
                self._dues.pop(threading.get_ident())


class LeapingWire:
    """A real wire on which silence takes time of the bench and hardly any real time."""

    def __init__(self, wire: Any, clock: SoakClock, dealt_with: Callable[[], int]) -> None:
        self._wire = wire
        self._clock = clock
        self._dealt_with = dealt_with
        self._sent = dealt_with()
        self._blinks = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._wire, name)

    def send(self, data: bytes) -> None:
        """Send `data`, and wait longer for bytes again."""
        self._blinks = 0
        self._sent += 1
        self._wire.send(data)

    def receive(self, timeout_s: float) -> bytes:
        """Return the bytes received; where there are none, advance the clock to the next event."""
        end_s = self._clock.monotonic() + timeout_s
        while True:
            now_s = self._clock.monotonic()
            due_s = self._clock.next_due_s()
            sleeps = due_s is not None and due_s > now_s
            data: bytes = self._wire.receive(0.0 if sleeps else BLINK_S)
            if data or end_s <= now_s:
                return data
            if due_s is not None and sleeps:
                self._clock.advance(min(end_s, due_s) - now_s)
                self._blinks = 0
            elif self._blinks < (BLINKS if self._dealt_with() >= self._sent else MOST_BLINKS):
                self._blinks += 1
            else:
                self._clock.advance(end_s - now_s)


@dataclass
class Sample:
    """Resources that the process holds at one time."""

    hours: float
    rss_mb: float
    threads: int
    handles: int
    sessions: int

    def __str__(self) -> str:
        return (
            f"{self.hours:>6.2f} {self.rss_mb:>8.1f} {self.threads:>8} {self.handles:>8} "
            f"{self.sessions:>9}"
        )


@dataclass
class Soak:
    """One soak: the counter's readings, the events in the journal, the resources used."""

    issued: "array[float]" = field(default_factory=lambda: array("d"))
    """Every reading of the counter, before faults are applied, in hertz; in an array, so that this
    record takes little of the memory that is measured."""
    faults: list[tuple[float, str]] = field(default_factory=list)
    """Time in seconds of the run, and kind, of each fault."""
    events: list[Reading | Gap] = field(default_factory=list)
    """The readings and gaps in the journal."""
    samples: list[Sample] = field(default_factory=list)
    dealt_with: int = 0
    """Lines that the counter has executed."""
    printed: int = 0
    outcome: str = ""


def soak(folder: Path, *, hours: float, sample_every_s: float) -> Soak:
    """Watch for `hours` of readings, one a second, with a fault a minute."""
    path = folder / "soak.toml"
    path.write_text(BENCH, encoding="utf-8")
    clock, result = SoakClock(), Soak()
    with open_bench(str(path), seed=20310504, clock=clock) as bench:
        _note_what_is_issued(bench, result)
        journal = Journal(folder / "journal.db", clock=clock)
        run = LiveWatch(
            [Plan(name="main", resource=bench.resources["main"], nominal=Decimal(10_000_000),
                  tolerance=1e-5, settle=SettleLimit(1e-9, 600.0))],
            journal=journal,
            limits=RunLimits(count=round(hours * 3600)),
            lines=True,
            clock=clock,
            acquire=partial(Acquisition, open_link=_opener(clock, bench, result), persistent=True),
        )  # fmt: skip
        _follow(run, result, sample_every_s)
        result.outcome = run.stop().reason
        journal.close()
    result.events = list(_kept(folder / "journal.db"))
    return result


def _note_what_is_issued(bench: ServedBench, result: Soak) -> None:
    counter: Any = bench._counters["main"]
    execute = counter.execute

    def noting(line: str) -> str | None:
        try:
            answer: str | None = execute(line)
        finally:
            result.dealt_with += 1
        if line.startswith("READ?") and answer is not None:
            result.issued.append(float(answer))
        return answer

    counter.execute = noting


def _opener(clock: SoakClock, bench: ServedBench, result: Soak) -> Any:
    coming = itertools.cycle(FAULTS)
    next_s = [clock.monotonic() + FAULT_EVERY_S / 2]
    origin_s = clock.monotonic()

    def opening(resource: str, *, cancel: threading.Event) -> Any:
        session: Any = open_link(resource, clock=clock, cancel=cancel)
        wire: Any = LeapingWire(session._wire, clock, lambda: result.dealt_with)
        send = wire.send

        def send_with_a_fault_a_minute(data: bytes) -> None:
            now_s = clock.monotonic()
            if data.startswith(b"READ?") and now_s >= next_s[0]:
                next_s[0] += FAULT_EVERY_S
                kind, lasts_s = next(coming)
                result.faults.append((now_s - origin_s, kind))
                bench.fault("main", kind, lasts_s)
            send(data)

        wire.send = send_with_a_fault_a_minute
        session._wire = wire
        return session

    return opening


def _follow(run: LiveWatch, result: Soak, sample_every_s: float) -> None:
    """Consume the events as the front end for JSON lines does, and take samples."""
    foreign = _open_links()
    run.start()
    sampled_s = 0.0
    while (item := run.events.get()) is not None:
        event, snapshot = item
        result.printed += len(json_line(event, snapshot.numbers)) > 0
        if event.elapsed_s - sampled_s >= sample_every_s:
            sampled_s += sample_every_s
            run.counter("main").pipeline.refresh()
            run.counter("main").trace(1e9, 400)
            result.samples.append(_sample(sampled_s / 3600, foreign))


def _open_links() -> set[Any]:
    """Return the handles of the open VISA sessions of this process, without the manager's.

    The library registers itself as the session of the manager.
    """
    visalib: Any = ResourceManager("@py").visalib
    return {handle for handle, session in visalib.sessions.items() if session is not visalib}


def _sample(hours: float, foreign: set[Any]) -> Sample:
    """Take a sample; `foreign` sessions were open before the soak began."""
    gc.collect()
    process = psutil.Process()
    for _ in range(MOST_BLINKS):  # the link may just be opened again
        if len(_open_links() - foreign) >= SESSIONS:
            break
        time.sleep(BLINK_S)
    return Sample(
        hours, process.memory_info().rss / 1e6, threading.active_count(),
        process.num_fds(), len(_open_links() - foreign),
    )  # fmt: skip


def _kept(path: Path) -> Iterator[Reading | Gap]:
    from journal_kit import read_events, read_runs

    (only,) = read_runs(path)
    for event in read_events(path, only):
        if isinstance(event, Reading | Gap):
            yield event


def check_nothing_lost_or_invented(soaked: Soak) -> None:
    """Check that each reading came from the counter, once, in order, and gaps cover the rest."""
    issued = soaked.issued
    assert len(set(issued)) == len(issued), "the readings don't tell themselves apart"
    position, gapped = {value: n for n, value in enumerate(issued)}, True
    newest = -1
    for event in soaked.events:
        if isinstance(event, Gap):
            assert not gapped, f"two gaps on end at {event.elapsed_s}"
            gapped = True
            continue
        if REPEAT in event.flags:  # the second copy of a doubled answer, known as such
            assert float(event.text) == issued[newest]
            continue
        number = position.get(float(event.text))
        assert number is not None, f"{event.text} was never given"
        assert number > newest, f"{event.text} is out of order, or there twice"
        assert number == newest + 1 or gapped, f"{event.text}: readings before it are lost"
        newest, gapped = number, False
    gaps = [event for event in soaked.events if isinstance(event, Gap)]
    harmful = [(at_s, kind) for at_s, kind in soaked.faults if kind != "doubled"]
    for at_s, kind in harmful:
        assert any(g.elapsed_s <= at_s <= g.elapsed_s + g.lasted_s for g in gaps), (at_s, kind)
    for gap in gaps:
        if gap.reason.startswith("this computer stood still"):
            continue  # no fault of the counter: the machine was busy, and the gap reports that
        end_s = gap.elapsed_s + gap.lasted_s
        assert any(at_s <= end_s and gap.elapsed_s <= at_s for at_s, _ in harmful), gap
