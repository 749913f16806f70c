"""The watch that the pictures of the gallery show: the program's own, with a clock that is set.

The story is a made-up one: a tide-gauge telemetry station keeps a 10 MHz oven oscillator (unit
0417) and a 5 MHz one (unit 0418). Both come from power-on; the first is trimmed and lands. Another
counter counts the first one's signal by its own time base, and a fourth counter is lost.
Oscillators and trimmer are those of the simulated benches, with a seed, so that every run gives the
same readings.
"""

import math
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Any, Final

from benchwatch.acquire import CounterStatus
from benchwatch.counter import Identity, LinkStatus, Setup, TimeBase, TimeBaseSource
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.journal import Journal
from benchwatch.plan import Plan
from benchwatch.quantity import difference
from benchwatch.reading import INTERNAL_TIMEBASE, Flag, Reading
from benchwatch.register import RegisterFile, register_path
from benchwatch.register.register_writer import RegisterWriter
from benchwatch.register.registered_unit import Unit
from benchwatch.report.comparison_words import CHAIN_WORDS
from benchwatch.run.live_counter import LiveCounter
from benchwatch.run.live_watch import LiveWatch
from benchwatch.run.visit_start import start_visits
from benchwatch_simulators.oscillator.oscillator import Oscillator, OscillatorSpec
from benchwatch_simulators.oscillator.oscillator_noise import normal_values
from benchwatch_simulators.oscillator.trimmer import TrimmerSpec

SEED: Final = 7
START_UTC_S: Final = 1_935_648_000.0  # 2031-05-04T08:00:00Z by date(1), a made-up day
TEN_MHZ, FIVE_MHZ = Decimal(10_000_000), Decimal(5_000_000)
RESOLUTION: Final = Decimal("0.0001")
"""Weight of the last digit of a counter, in hertz."""
TOLERANCE: Final = 1e-9
SETTLE: Final = SettleLimit(1e-9, 600.0)
REFERENCE: Final = Reference(
    name="station reference", u=5e-12, dof=50.0, source="its papers, half of U (k = 2)"
)
TEN: Final = OscillatorSpec(
    nominal_hz=TEN_MHZ,
    landing=3.697e-8,
    warm_up=((1.2e-6, 60.0), (4e-8, 300.0)),
    ageing_per_day=1e-10,
    white_fm=5e-11,
    flicker_fm=8e-12,
    random_walk_fm=1e-13,
    trimmer=TrimmerSpec(
        sensitivity=5e-8, backlash_turns=0.006, creep=0.01, creep_s=4.0, tool_pull=2e-9
    ),
)
FIVE: Final = OscillatorSpec(
    nominal_hz=FIVE_MHZ,
    landing=-2e-9,
    warm_up=((2e-6, 120.0), (6e-8, 800.0)),
    ageing_per_day=5e-11,
    white_fm=6e-11,
    flicker_fm=5e-12,
    random_walk_fm=5e-14,
)
COUNTER_NOISE: Final = 2e-11
"""White noise of a reading by the counter itself, fractional."""
NOISE_STREAM: Final = 100
"""Stream of the seeded generator that no noise of an oscillator takes."""
NOISE_BLOCK: Final = 16
"""Values that are drawn at once."""
RETRY_S: Final = 30.0
"""Time between two tries to connect a counter that was lost."""
OWN_TIME_BASE: Final = -2.1e-7
"""Offset of the time base of the counter that is not on the reference."""


class SetClock:
    """A clock that stands until it is set."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def monotonic(self) -> float:
        """Return the seconds since the watch began."""
        return self.now_s

    def utc(self) -> float:
        """Return the time in Unix seconds."""
        return START_UTC_S + self.now_s

    def wait(self, event: threading.Event, timeout_s: float) -> bool:  # noqa: ARG002 - nothing waits
        """Return at once."""
        return event.is_set()


class ToldAcquisition:
    """Stands for the thread that reads a counter; it publishes what it is told."""

    def __init__(self, **asked: Any) -> None:
        self.name: str = asked["name"]
        self.event, self.status = asked["on_event"], asked["on_status"]

    def start(self) -> None:
        """Do nothing: the bench publishes the connection."""

    def request(self, setup: Setup) -> None:
        """Do nothing."""

    def set_dial(self, setting: Decimal | None) -> None:
        """Do nothing."""

    def stop(self) -> None:
        """Do nothing."""

    def join(self, timeout: float) -> None:
        """Do nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedCounter:
    """A counter of the bench."""

    name: str
    address: int
    oscillator: Oscillator
    time_base: TimeBaseSource = "external"
    unit: str | None = None
    gate_s: float = 1.0
    on_s: float = 0.5
    """When it is connected."""
    cut_s: float = math.inf
    """When its link is lost."""
    seed: int = SEED
    """Of the counter's own noise."""

    @property
    def plan(self) -> Plan:
        """What is asked of it."""
        return Plan(
            name=self.name,
            resource=f"TCPIP0::192.168.1.{self.address}::5025::SOCKET",
            nominal=self.oscillator.spec.nominal_hz,
            tolerance=TOLERANCE,
            settle=SETTLE,
            reference=REFERENCE,
            unit=self.unit,
        )

    def status(self, link: LinkStatus) -> CounterStatus:
        """Return what it states of itself."""
        return CounterStatus(
            link=link,
            identity=Identity(text=f"Station bench,SCPI counter,00{self.address},1.0"),
            time_base=TimeBase(self.time_base),
            gate_s=self.gate_s,
            nominal=self.oscillator.spec.nominal_hz,
        )

    def reading(self, end_s: float) -> Reading:
        """Return the reading whose gate ends at `end_s`."""
        nominal = self.oscillator.spec.nominal_hz
        base = OWN_TIME_BASE if self.time_base == "internal" else 0.0
        true = self.oscillator.mean_offset(end_s - self.gate_s, end_s)
        block, place = divmod(round(end_s), NOISE_BLOCK)
        true += COUNTER_NOISE * normal_values(self.seed, NOISE_STREAM, block, NOISE_BLOCK)[place]
        read = Decimal(repr((1.0 + true) / (1.0 + base) - 1.0))
        hertz = (nominal * (1 + read)).quantize(RESOLUTION)
        offset_hz, offset = difference(hertz, nominal)
        middle_s = end_s - self.gate_s / 2
        flags: set[Flag] = {INTERNAL_TIMEBASE} if self.time_base == "internal" else set()
        return Reading(
            counter=self.name,
            utc_s=START_UTC_S + middle_s,
            elapsed_s=middle_s,
            gate_s=self.gate_s,
            text=str(hertz),
            frequency_hz=float(hertz),
            offset_hz=offset_hz,
            offset=offset,
            resolution_hz=float(RESOLUTION),
            flags=frozenset(flags),
        )


class GalleryWatch:
    """The watch, its clock and its oscillators.

    Args:
        run: the program's own watch, not yet started.
        clock: the clock that it dates everything by.
        counters: the counters of the bench.
        threads: what stands for the threads that read them, once the watch is started.
    """

    def __init__(
        self,
        run: LiveWatch,
        clock: SetClock,
        counters: Sequence[SimulatedCounter],
        threads: Sequence[ToldAcquisition],
    ) -> None:
        self.run, self._clock, self._counters, self._threads = run, clock, counters, threads
        run.start()

    @property
    def ten(self) -> LiveCounter:
        """The counter on the unit that is trimmed."""
        return self.run.counter("ten")

    def until(self, at_s: float) -> None:
        """Take the readings up to `at_s`, seconds of the watch."""
        while self._clock.now_s < at_s:
            self._clock.now_s += 1.0
            for counter, thread in self._pairs():
                self._take(counter, thread)
        while not self.run.events.empty():
            self.run.events.get()

    def refresh(self) -> None:
        """Update what the program itself updates about once a second."""
        for name in self.run.names:
            self.run.counter(name).pipeline.refresh()
        self.run.chain.refresh()

    def touch(self, *, on: bool) -> None:
        """Put the tool on the trimmer of the first unit, or lift it, and press the key for it."""
        self._counters[0].oscillator.rest_tool(self._clock.now_s, on=on)
        self.ten.touch(on=on)

    def turn(self, turns: float) -> None:
        """Turn that trimmer; positive raises the frequency."""
        self._counters[0].oscillator.turn(self._clock.now_s, turns)

    def _pairs(self) -> Iterator[tuple[SimulatedCounter, ToldAcquisition]]:
        return zip(self._counters, self._threads, strict=True)

    def _take(self, counter: SimulatedCounter, thread: ToldAcquisition) -> None:
        """Let a counter give its reading of now, or say that its link is lost."""
        now_s = self._clock.now_s
        if now_s - 1.0 < counter.on_s <= now_s:
            thread.status(counter.status(LinkStatus("reading", counter.on_s)))
        if counter.on_s < now_s < counter.cut_s:
            if now_s % counter.gate_s == 0.0:
                thread.event(counter.reading(now_s))
        elif now_s >= counter.cut_s and (now_s - counter.cut_s) % RETRY_S == 0.0:
            detail = f"the connection was closed. Next try in {RETRY_S:.0f} s."
            lost = LinkStatus("lost", counter.cut_s, detail, next_try_s=now_s + RETRY_S)
            thread.status(counter.status(lost))


@contextmanager
def gallery_watch(folder: Path) -> Iterator[GalleryWatch]:
    """Begin the watch, with a journal and a register in `folder`; end it in order."""
    clock, threads = SetClock(), list[ToldAcquisition]()
    ten = Oscillator(TEN, SEED)
    field_unit = Oscillator(TEN, SEED + 1)
    counters = (
        SimulatedCounter(name="ten", address=20, oscillator=ten, unit="0417"),
        SimulatedCounter(
            name="five", address=21, oscillator=Oscillator(FIVE, SEED), unit="0418", gate_s=10.0
        ),
        SimulatedCounter(
            name="spare", address=22, oscillator=ten, time_base="internal", on_s=1440.5, seed=8
        ),
        SimulatedCounter(
            name="field", address=23, oscillator=field_unit, gate_s=10.0, cut_s=1930.0
        ),
    )
    path = folder / "journal.db"
    register = RegisterFile(register_path(path, simulated=False), clock=clock)
    register.add([one.draft() for one in UNITS])
    journal, writer = Journal(path), RegisterWriter(register)
    starts = start_visits([one.plan for one in counters], writer, path, clock=clock)
    run = LiveWatch(
        [start.plan for start in starts.values()],
        journal=journal,
        lines=True,
        clock=clock,
        acquire=partial(_told, threads),
        visits={name: start.writer for name, start in starts.items()},
        register=writer,
        chain_words=CHAIN_WORDS,
    )
    try:
        yield GalleryWatch(run, clock, counters, threads)
    finally:
        run.stop()
        journal.close()
        writer.close()


UNITS: Final = (
    Unit(
        ident="0417",
        nominal_hz=TEN_MHZ,
        tolerance=1e-9,
        settle=SETTLE.limit,
        settle_horizon_s=SETTLE.horizon_s,
        description="10 MHz oven oscillator of the telemetry transmitter",
        place="tide-gauge station, north mast",
        owner="harbour office",
    ),
    Unit(
        ident="0418",
        nominal_hz=FIVE_MHZ,
        tolerance=1e-9,
        description="5 MHz oven oscillator of the tide recorder",
        place="tide-gauge station, hut",
        owner="harbour office",
    ),
)


def _told(threads: list[ToldAcquisition], **asked: Any) -> Any:
    """Make what stands for the thread of a counter, and keep it in `threads`."""
    threads.append(ToldAcquisition(**asked))
    return threads[-1]
