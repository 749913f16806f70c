"""Made visits of which a report is written: good, bad, empty, long, hostile, over years.

Each is watched on the made bench of `visit_kit`, with readings of known truth, so that journal and
register are written by the same code as at a real bench.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import numpy as np
from check_kit import dial_check
from pipeline_kit import reading
from visit_kit import DAY_S, MadeBench, Watched

from benchwatch.estimate.array_types import FloatArray
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.reading import AS_FOUND, AS_LEFT, INTERNAL_TIMEBASE
from benchwatch.register.register_reader import read_register
from benchwatch.register.visit import Visit

UNIT = "0417"
TOLERANCE = 5e-9
SETTLE = SettleLimit(1e-9, 60.0)
NOISE_PPB = 0.01
TOOL_PPB = 6.0
"""What the tool pulls by."""
FOUND_PPB, LEFT_PPB = 36.97, 0.41
"""True offsets of the good visit, before the first turn and after the last."""
LEVELS_PPB = (FOUND_PPB, 25.0, 12.5, 3.2, LEFT_PPB)
"""Levels between the turns of the good visit."""
REFERENCE = Reference(
    name="house standard", u=2e-11, age_s=30 * DAY_S, ageing_per_s=0.0, source="its papers"
)
LONG_TEXT = "the lid was loose, the screw turned over, and the trimmer cover had been glued; " * 20
HOSTILE = (
    "<script>alert('tide')</script><b>bold</b> &amp; \"quoted\"",
    "[bold red]markup[/] [@click=app.quit]quit[/]",
    '#import "other.typ": * $x^2$ #panic("stop") \\ /* // */ @label <label>',
    '=HYPERLINK("#";"tide") +1+1 -1-1 @SUM(1)',
    "\x1b[31mred\x1b[0m \x07bell \x9b31m \u202eright to left\u202c \u200b",
    "Ωμέγα, χρονόμετρο παλίρροιας; مذبذب محطة المد والجزر 10 MHz",
    "x" * 1900,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeVisit:
    """A made visit and where it is kept."""

    folder: Path
    name: str
    """``CHAIN/NUMBER``."""

    @property
    def journal(self) -> Path:
        """Path of the journal."""
        return self.folder / "journal.db"

    @property
    def register(self) -> Path:
        """Path of the register."""
        return self.folder / "register.db"

    @property
    def number(self) -> str:
        """Number of the visit, as it is typed."""
        return self.name.rpartition("/")[2]

    @property
    def visit(self) -> Visit:
        """The visit as the register states it now."""
        with read_register(self.register) as reader:
            found = reader.visit(self.name)
        assert found is not None
        return found


def made_bench(folder: Path, *, simulated: str | None = None) -> MadeBench:
    """Return a bench whose register knows the unit, in a folder that is made."""
    folder.mkdir(parents=True, exist_ok=True)
    bench = MadeBench(folder, simulated=simulated)
    bench.make_unit(
        UNIT,
        nominal_hz=Decimal(10_000_000),
        tolerance=TOLERANCE,
        settle=SETTLE.limit,
        settle_horizon_s=SETTLE.horizon_s,
        working_hz=(1e8,),
        checks=(1e6, 1e8),
        description="10 MHz oven oscillator of the tide-gauge telemetry",
        place="station on the north mole, shelf 3",
        owner="Harbour survey office",
    )
    return bench


def feed_ppb(watched: Watched, ppb: Sequence[float] | FloatArray, seed: int = 7) -> None:
    """Take one reading a second at these true offsets, with white noise of `NOISE_PPB`."""
    noise = np.random.default_rng(seed).normal(0.0, NOISE_PPB, len(ppb))
    for number, value in enumerate(np.asarray(ppb, dtype=float) + noise, start=1):
        watched.clock.now_s += 1.0
        hertz = Decimal(10_000_000) + Decimal(f"{value * 0.01:.5f}")
        made = reading(number, str(hertz))
        watched.thread.asked["on_event"](
            replace(
                made,
                utc_s=watched.clock.utc(),
                elapsed_s=watched.clock.monotonic() - watched.began_s,
            )
        )


def warm_up_ppb(end_ppb: float, seconds: int = 400) -> FloatArray:
    """Return a warm-up that comes in to `end_ppb` from 200 ppb above."""
    return end_ppb + 200.0 * np.exp(-np.arange(seconds) / 40.0)


def turn_to(watched: Watched, begin_ppb: float, end_ppb: float, rest: int = 30) -> None:
    """Put the tool on, turn, lift it off, and wait."""
    watched.counter.touch(on=True)
    feed_ppb(watched, [begin_ppb + TOOL_PPB] * 12)
    feed_ppb(watched, [end_ppb + TOOL_PPB] * 12)
    watched.counter.touch(on=False)
    feed_ppb(watched, [end_ppb] * rest)


def _made(bench: MadeBench) -> MadeVisit:
    return MadeVisit(folder=bench.folder, name=bench.visits()[-1].name)


def good_visit(folder: Path, *, closes: bool = True, simulated: str | None = None) -> MadeVisit:
    """Warm-up, as found, a night, four turns with the tool, landed, as left, checks, closed."""
    bench = made_bench(folder, simulated=simulated)
    plan = {"tolerance": TOLERANCE, "settle": SETTLE, "reference": REFERENCE}
    with bench.watching(UNIT, **plan) as evening:
        feed_ppb(evening, warm_up_ppb(FOUND_PPB))
        evening.counter.record(AS_FOUND)
        evening.counter.change_visit("condition", "room 21.5 C")
        evening.counter.change_visit("note", "lid on, mains filter refitted")
    bench.clock.now_s += 8 * 3600.0
    with bench.watching(UNIT, **plan) as morning:
        feed_ppb(morning, [FOUND_PPB] * 200)
        for begin, end in pairwise(LEVELS_PPB):
            turn_to(morning, begin, end)
        feed_ppb(morning, [LEFT_PPB] * 600)
        morning.counter.record(AS_LEFT)
        visit = morning.start.writer
        assert visit is not None
        for setting_hz in (1e6, 1e8):
            visit.write_check("follows", dial_check(setting_hz, 3e-11).as_dict())
        if closes:
            morning.counter.change_visit("close visit", "")
    return _made(bench)


def bad_visit(folder: Path) -> MadeVisit:
    """On the counter's own oscillator, never settled, outside, the tool still on, cut off."""
    bench = made_bench(folder)
    watched = bench.watch(UNIT, tolerance=TOLERANCE, settle=SETTLE)
    ppb = warm_up_ppb(210.0, 160)
    for number, value in enumerate(ppb, start=1):
        bench.clock.now_s += 1.0
        made = reading(number, f"{10_000_000 + value * 0.01:.4f}")
        watched.thread.asked["on_event"](
            replace(
                made,
                utc_s=bench.clock.utc(),
                elapsed_s=bench.clock.monotonic() - watched.began_s,
                flags=frozenset({INTERNAL_TIMEBASE}),
            )
        )
    watched.counter.touch(on=True)
    watched.counter.record(AS_FOUND)
    bench.kill(watched)
    return _made(bench)


def empty_visit(folder: Path) -> MadeVisit:
    """A visit that was opened and never read."""
    bench = made_bench(folder)
    with bench.watching(UNIT, tolerance=TOLERANCE) as watched:
        watched.counter.change_visit("note", "did not start: fuse blown")
    return _made(bench)


def long_visit(folder: Path, notes: int = 400) -> MadeVisit:
    """A good visit with so many notes, every tenth a long one."""
    made = good_visit(folder, closes=False)
    bench = MadeBench(folder)
    bench.clock.now_s += 12 * 3600.0
    with bench.watching(UNIT, tolerance=TOLERANCE) as watched:
        feed_ppb(watched, [LEFT_PPB] * 5)
        for number in range(notes):
            bench.clock.now_s += 30.0
            text = LONG_TEXT[:900] if number % 10 == 9 else f"looked at it, remark {number + 1}"
            watched.counter.change_visit("note", text)
    return made


def hostile_visit(folder: Path) -> MadeVisit:
    """A good visit whose unit, owner, notes and conditions hold text that must stay text."""
    bench = made_bench(folder)
    bench.make_unit(
        UNIT,
        nominal_hz=Decimal(10_000_000),
        tolerance=TOLERANCE,
        description=HOSTILE[0],
        place=HOSTILE[2],
        owner=HOSTILE[5] + " " + HOSTILE[3],
    )
    with bench.watching(UNIT, tolerance=TOLERANCE, settle=SETTLE) as watched:
        feed_ppb(watched, [FOUND_PPB] * 60)
        watched.counter.record(AS_FOUND)
        for text in HOSTILE:
            watched.counter.change_visit("note", text)
            watched.counter.change_visit("condition", f"room {text}")
        turn_to(watched, FOUND_PPB, LEFT_PPB, rest=120)
        watched.counter.record(AS_LEFT)
    return _made(bench)


def ageing_visits(folder: Path, years: int = 5) -> MadeVisit:
    """One visit a year, as found 1.6 ppb above as left of the year before; return the newest."""
    bench = made_bench(folder)
    for year in range(years):
        found = FOUND_PPB if year == 0 else LEFT_PPB + 1.6
        with bench.watching(UNIT, tolerance=TOLERANCE, settle=SETTLE) as watched:
            feed_ppb(watched, [found] * 200, seed=year)
            watched.counter.record(AS_FOUND)
            turn_to(watched, found, LEFT_PPB, rest=200)
            watched.counter.record(AS_LEFT)
            watched.counter.change_visit("close visit", "")
        bench.clock.now_s += 365.0 * DAY_S
    return _made(bench)
