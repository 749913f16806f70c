"""One fault on one bus during a real acquisition: its effects, and the time until it is over.

The simulated counter's readings are replaced by numbers that count: reading n is the nominal plus
n tenths of a millihertz, so its value shows its number and when it was taken. A reading counts as
invented if it was not taken, was taken before, or has the time of another one. The intervals of a
time-interval counter fall by n picoseconds from one to the next, which shows n.
"""

import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

from link_kit import open_link
from load_kit import Stalls
from socket_kit import PipeWriter

from benchwatch.acquire import Acquisition, CounterStatus
from benchwatch.clock import SystemClock
from benchwatch.counter import Counter, Link, Setup
from benchwatch.reading import UNFIT, Gap, Reading
from benchwatch_drivers.bundled_profiles import PROFILES_FOLDER, load
from benchwatch_drivers.profile.profile_counter import DUPLICATE_SHARE
from benchwatch_simulators.bench.simulated_bench import ServedBench, open_bench

NOMINAL = Decimal(10_000_000)
STEP = Decimal("0.0001")
GATE_S = 0.05
PULSE_S = 0.2
"""Time from pulse to pulse of a time-interval counter, and so from reading to reading."""
MARGIN_S = 0.3
STEADY = 6
"""After so many readings in a row the link counts as recovered."""
LONGEST_WAIT_S = 20.0
SIDE_BY_SIDE = (16, 8, 4, 1, 1, 1)
"""Cases run at once; those during which the machine stood still are run again with fewer, in the
end alone."""
STOOD_STILL_S = PULSE_S / 2
"""A longer stall of the machine shifts a pulse, a gate or a timeout too far for the test."""

BUSES = {
    "raw socket": ("socket", "scpi"),
    "HiSLIP": ("hislip", "scpi"),
    "VXI-11": ("vxi11", "scpi"),
    "serial": ("serial", "scpi"),
    "serial, talk-only": ("serial", "talk-only"),
    "LAN-GPIB": ("lan-gpib", "scpi"),
    "LAN-GPIB, terse": ("lan-gpib", "terse"),
    "pipe": ("socket", "talk-only"),
    "intervals, raw socket": ("socket", "interval"),
    "intervals, serial, talk-only": ("serial", "interval-talk-only"),
}
"""Bus and dialect of the simulated counter; the lines in the pipe come from a socket."""
PIPED = ("pipe",)
LASTS_S = {"late": 0.8, "mute": 0.8, "slow": 0.8, "closed": 0.5, "restart": 0.8}
"""Durations of the faults that have one, at least; the others affect one answer."""
NOT_TOLD_S = 0.8
"""Longer than a line takes: a pipe without a writer is noticed only by its silence."""


@dataclass
class Found:
    """The effects of one fault on one bus."""

    bus: str
    fault: str
    readings: int = 0
    invented: list[str] = field(default_factory=list)
    twice: int = 0
    """Readings that were read from a pipe twice."""
    copy_read_late: bool = False
    """A line and its copy were read so far apart that the program can't tell it is a copy."""
    gaps: list[Gap] = field(default_factory=list)
    longest_hole_s: float = 0.0
    back_s: float = 0.0
    """From the end of the fault to the next good reading."""
    seen_s: float | None = None
    """From the fault until the link was shown as lost; None if it was not."""
    opened: int = 0
    recovered: bool = False
    ended: str = ""

    @property
    def gate_s(self) -> float:
        """Time from reading to reading without a fault."""
        return PULSE_S if "interval" in BUSES[self.bus][1] else GATE_S

    @property
    def blames_computer(self) -> bool:
        """True when the program says that it was kept from reading, or stood still."""
        return any("this computer" in gap.reason for gap in self.gaps)

    @property
    def outcome(self) -> str:
        """The text of this case in the table of results."""
        if not self.recovered:
            return "lost"
        if self.invented:
            return "invented readings"
        if self.twice:
            return "counted twice"
        lost = "gap" if self.gaps else "nothing lost"
        return f"{lost}, opened again" if self.opened > 1 else lost


class Case:
    """A bench with one counter on one bus, and an acquisition that reads it."""

    def __init__(self, bus: str, fault: str, file: Path) -> None:
        self.found = Found(bus, fault)
        self._lasts_s = NOT_TOLD_S if bus in PIPED and fault == "closed" else LASTS_S.get(fault)
        self._shown_by_silence = bus in PIPED or fault != "closed"
        self._bench: ServedBench = open_bench(str(file), seed=1)
        self._origin_s = time.monotonic()
        self._taken_s: dict[int, float] = {}
        """When each reading was taken, by its number."""
        self._arrived: list[tuple[float, Reading]] = []
        self._connections: list[tuple[float, CounterStatus]] = []
        self._changed = threading.Condition()
        dialect = BUSES[bus][1]
        self._asks = dialect in {"scpi", "interval"}
        counter = self._bench._counters["main"]
        counter.counting.count = self._count
        if dialect == "scpi":
            counter._cycle._count = self._count
        driver: str | Callable[[Link], Counter] = self._bench.drivers["main"]
        if dialect == "interval":
            counter._pulses.interval = self._interval
        elif dialect == "interval-talk-only":
            counter._source.interval = self._interval
        if "interval" in dialect:
            driver = load(_quick_profile(dialect, file.parent))
        resource, self._writer = self._bench.resources["main"], None
        if bus in PIPED:
            resource = str(file.with_name(f"{fault}.pipe"))
            self._writer = PipeWriter(self._bench._servers.by_counter["main"].port, Path(resource))
        self._acquisition = Acquisition(
            name="main",
            resource=resource,
            driver=driver,
            setup=Setup(),
            nominal=NOMINAL,
            on_event=self._take,
            on_status=self._link_changed,
            open_link=open_link,
            clock=SystemClock(),
            origin_s=self._origin_s,
            margin_s=MARGIN_S,
        )

    def run(self) -> Found:
        """Read, cause the fault, and wait until readings come steadily again."""
        try:
            self._acquisition.start()
            assert self._wait(lambda: len(self._arrived) >= STEADY), "never read"
            began_s = time.monotonic()
            lasts_s = self._lasts_s and max(self._lasts_s, self._noticed_within_s())
            self._bench.fault("main", self.found.fault, lasts_s)
            over_s = began_s + (lasts_s or 0.0)
            self.found.recovered = self._wait(lambda: self._is_steady(over_s))
            self._judge(began_s, over_s)
        finally:
            self._acquisition.stop()
            self._acquisition.join(5)
            if self._writer is not None:
                self._writer.close()
            self._bench.close()
        self.found.ended = str(self._acquisition.error or "")
        return self.found

    def _noticed_within_s(self) -> float:
        """Return the shortest time in which silence of a counter without a gate is noticed, or 0.

        It is waited for three times its longest pace, which a busy machine lengthens.
        """
        if not self._shown_by_silence or self._connections[-1][1].gate_s is not None:
            return 0.0
        paces_s = [b - a for (a, _), (b, _) in pairwise(self._arrived)]
        return 3 * max(paces_s) + 2 * MARGIN_S

    def _count(self, start_s: float, gate_s: float) -> Decimal:
        number = len(self._taken_s) + 1
        self._taken_s[number] = self._bench._time.zero_s + start_s + gate_s / 2
        return NOMINAL + number * STEP

    def _interval(self, number: int) -> Decimal:
        self._taken_s[number] = self._bench._time.zero_s + (number + 0.5) * PULSE_S
        fallen = STEP / NOMINAL * Decimal(str(PULSE_S)) * number * (number + 1) / 2
        return Decimal(str(PULSE_S)) / 4 - fallen

    def _take(self, event: Reading | Gap) -> None:
        with self._changed:
            if isinstance(event, Gap):
                self.found.gaps.append(event)
            elif not event.flags & UNFIT:
                self._arrived.append((time.monotonic(), event))
                newest = max(self._taken_s)
                if self._asks and self._number(event) != newest:
                    self.found.invented.append(f"{event.text} after reading {newest}")
            self._changed.notify_all()

    def _link_changed(self, connection: CounterStatus) -> None:
        self._connections.append((time.monotonic(), connection))

    def _wait(self, condition) -> bool:
        with self._changed:
            return self._changed.wait_for(condition, LONGEST_WAIT_S)

    def _is_steady(self, over_s: float) -> bool:
        """Return whether the last `STEADY` readings came without a pause, and after the fault."""
        last = [at_s for at_s, _ in self._arrived[-STEADY:]]
        holes = [b - a for a, b in pairwise(last)]
        gate_s = self.found.gate_s
        return last[0] > over_s + 3 * gate_s and max(holes) < 4 * gate_s

    def _judge(self, began_s: float, over_s: float) -> None:
        found = self.found
        found.readings = len(self._arrived)
        numbers = [self._number(reading) for _, reading in self._arrived]
        for (at_s, reading), number in zip(self._arrived, numbers, strict=True):
            if number not in self._taken_s:
                found.invented.append(f"{reading.text} was never taken")
                continue
            late_s = self._origin_s + reading.elapsed_s - self._taken_s[number]
            if abs(late_s) > found.gate_s + MARGIN_S:
                found.invented.append(
                    f"{reading.text} at {at_s - began_s:.3f} s is {late_s:.3f} s off"
                )
        again = [(a, b) for a, b in pairwise(numbers) if b <= a]
        times = [at_s for at_s, _ in self._arrived]
        # Half of the program's limit, as these are the times at which readings were made of lines.
        found.copy_read_late = any(
            number == before and hole_s > DUPLICATE_SHARE / 2 * found.gate_s
            for (before, number), hole_s in zip(
                pairwise(numbers), (b - a for a, b in pairwise(times)), strict=True
            )
        )
        if found.bus in PIPED:
            found.twice = sum(a == b for a, b in again)
            again = [(a, b) for a, b in again if a != b]
        found.invented += [f"number {b} after {a}" for a, b in again]
        holes = [(b - a, a, b) for a, b in pairwise(times) if b > began_s]
        if holes:
            found.longest_hole_s, _, end_s = max(holes)
            found.back_s = max(end_s - over_s, 0.0)
        states = [(at_s, c.link.state) for at_s, c in self._connections]
        lost = [at_s for at_s, state in states if state == "lost" and at_s >= began_s]
        found.seen_s = lost[0] - began_s if lost else None
        found.opened = 1 + sum(
            c.link.state == "lost" and "Next try" in c.link.detail for _, c in self._connections
        )

    def _number(self, reading: Reading) -> int:
        number = (Decimal(reading.text) - NOMINAL) / STEP
        return int(number) if number == int(number) else -1


def run_all(cases: Sequence[tuple[str, str]], folder: Path) -> dict[tuple[str, str], Found]:
    """Run cases (bus, fault), each on its own bench, some side by side, as they mostly wait.

    A case during which the machine stood still is run again, whatever its result; where a reading
    seems to be invented, half a gate is long enough for that, or a copy that was read late.
    """
    files = {bus: bench_file(bus, folder) for bus, _ in cases}
    found: dict[tuple[str, str], Found] = {}

    def run(case: tuple[str, str]) -> tuple[Found, float, float]:
        began_s = time.monotonic()
        return Case(*case, files[case[0]]).run(), began_s, time.monotonic()

    with Stalls() as stalls:
        left = list(cases)
        for at_once in SIDE_BY_SIDE:
            with ThreadPoolExecutor(at_once) as pool:
                timed = dict(zip(left, pool.map(run, left), strict=True))
            found |= {case: result for case, (result, _, _) in timed.items()}
            left = [
                case
                for case, (result, began_s, ended_s) in timed.items()
                if result.copy_read_late
                or stalls.longest_s(began_s, ended_s)
                > (result.gate_s / 2 if result.invented else STOOD_STILL_S)
            ]
    if left:
        print(f"\nthe machine stood still in all tries of {len(left)} cases")
    return found


def run_alone(bus: str, fault: str, folder: Path) -> Found:
    """Run one case by itself; again, at most twice, if the machine stood still meanwhile."""
    return run_all([(bus, fault)], folder)[bus, fault]


def bench_file(bus: str, folder: Path) -> Path:
    """Write a bench with one counter on `bus`, and a profile where needed; return its path."""
    wire, dialect = BUSES[bus]
    path = folder / f"{wire}-{dialect}.toml"
    if "interval" in dialect:
        _write_quick_profile(dialect, folder)
    path.write_text(
        f"""[oscillators.main]
nominal = "10 MHz"
[counters.main]
oscillator = "main"
bus = "{wire}"
dialect = "{dialect}"
gate = "{GATE_S} s"
pulse = "{PULSE_S} s"
"""
    )
    return path


def _quick_profile(name: str, folder: Path) -> Path:
    return folder / f"quick-{name}.toml"


def _write_quick_profile(name: str, folder: Path) -> None:
    """Copy the profile of an interval counter, changed for pulses every `PULSE_S`."""
    text = (PROFILES_FOLDER / f"{name}.toml").read_text("utf-8")
    _quick_profile(name, folder).write_text(
        text.replace('"1 s"', f'"{PULSE_S} s"')
        .replace("2.5000000123E-1", "2.5E-3")
        .replace("0.25000000123 s", "0.0025 s")
    )
