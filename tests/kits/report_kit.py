"""Visits for reports, made by the product's own watch with a set clock and a known truth.

The story is a made-up one: a tide-gauge telemetry station keeps a 5 MHz oven oscillator (unit 0417)
and a 10 MHz one (0418). Each function makes a journal and a register in a folder.
"""

import math
import sqlite3
import tempfile
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing
from copy import copy
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache, wraps
from pathlib import Path
from typing import Any, Concatenate, Final, ParamSpec

import numpy as np
from chain_kit import made_result
from register_kit import record
from visit_kit import DAY_S, HOUR_S, MadeBench, Watched

from benchwatch.acquire import CounterStatus
from benchwatch.counter import Identity, LinkStatus, TimeBase, TimeBaseSource
from benchwatch.estimate.results import SettleLimit
from benchwatch.estimate.uncertainty.offset_record import Reference
from benchwatch.journal import Journal
from benchwatch.journal.run_writer import RunWriter, run_of
from benchwatch.plan import Plan
from benchwatch.quantity import difference
from benchwatch.reading import DIALLED, INTERNAL_TIMEBASE, OTHER_DIAL, Flag, Gap, Reading
from benchwatch.register import RegisterFile, read_register
from benchwatch.register.register_entry import Draft
from benchwatch.register.visit import Visit
from benchwatch.report.comparison_words import CHAIN_WORDS

TEN_MHZ, FIVE_MHZ = Decimal(10_000_000), Decimal(5_000_000)
IDENTITY: Final = "MADE COUNTER,12 digits,SN 2207,1.4"
TOLERANCE: Final = 5e-9
SETTLED: Final = SettleLimit(1e-9, 600.0)
REFERENCE: Final = Reference(
    name="rubidium standard",
    u=1e-11,
    offset=1.2e-10,
    dof=50.0,
    age_s=90 * DAY_S,
    ageing_per_s=1e-10 / (365 * DAY_S),
    source="its papers of 2031-02-03",
)
"""The reference of the bench; readings are corrected by its offset before anything is shown."""
UNIT: Final = "0418"
FOUND, LEFT = 36.97e-9, 0.12e-9
"""True offsets of the good visit, before the first turn and after the last."""
NOISE: Final = 2e-11
"""White noise of a reading, fractional."""
CHECKED_HZ: Final = (1e6, 1e8)
LONG_NAME: Final = (
    "tide-gauge telemetry transmitter, reference oscillator of the northern mast, " * 2
)
HOSTILE: Final = (
    "<script>alert(1)</script>",
    "</svg><img src=x onerror=alert(1)>",
    "[bold red]not bold[/] [/bold] [@click=app.quit]quit[/]",
    '#import "x.typ": * #read("/etc/passwd") $x^2$ *strong* _emph_ `raw` @label <label>',
    '=cmd()|"/c calc"!A1',
    "+1+1, -2, @SUM(A1:A9)",
    "{{ 7 * 7 }} {% for x in y %} ]]> &amp; & ' \" \\",
    "\x1b[31mred\x1b[0m \x1b]8;;http://example.org\x07link\x1b]8;;\x07 \x9b2J",
    "Θερμοκρασία φούρνου: ανεβαίνει αργά",
    "فرن المذبذب يسخن ببطء ١٢٣",
    "\u202egnp.exe\u202c \u200b zero width",
)
"""Texts of people and instruments that must come out as text."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeVisit:
    """A visit, where it is kept, and what is true of it; offsets are fractional."""

    bench: MadeBench
    name: str
    """``CHAIN/NUMBER``."""
    nominal_hz: Decimal = TEN_MHZ
    readings: int = 0
    """Readings at the nominal, that were written to the journal."""
    power_on_utc_s: float | None = None
    found: float | None = None
    left: float | None = None
    turns: tuple[tuple[float, float], ...] = ()
    """Unix seconds and size of each turn of the trimmer."""

    @property
    def folder(self) -> Path:
        """Where journal and register are."""
        return self.bench.folder

    @property
    def journal(self) -> Path:
        """Path of the journal."""
        return self.bench.journal

    @property
    def register(self) -> Path:
        """Path of the register."""
        return self.bench.register

    @property
    def number(self) -> str:
        """Number of the visit, as it is typed."""
        return self.name.rpartition("/")[2]

    @property
    def visit(self) -> Visit:
        """The visit as the register states it now."""
        with read_register(self.register) as reader:
            visit = reader.visit(self.name)
        assert visit is not None
        return visit


_Options = ParamSpec("_Options")


def made_once(
    make: Callable[Concatenate[Path, _Options], MadeVisit],
) -> Callable[Concatenate[Path, _Options], MadeVisit]:
    """Make each visit once a process, as its watch takes seconds; after that write its files again.

    All copies have the keys of the first; `inspect.unwrap` gives the function that makes one anew.
    """

    @cache
    def kept(**options: Any) -> tuple[MadeVisit, dict[str, bytes]]:
        with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as there:
            made = make(Path(there), **options)  # type: ignore[call-arg] # it has no others
            return made, {path.name: path.read_bytes() for path in Path(there).iterdir()}

    @wraps(make)
    def written(folder: Path, *_: _Options.args, **options: _Options.kwargs) -> MadeVisit:
        made, files = kept(**options)
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (folder / name).write_bytes(content)
        return replace(made, bench=replace(made.bench, folder=folder, clock=copy(made.bench.clock)))

    return written


def _bench(folder: Path, simulated: str | None = None) -> MadeBench:
    """Return a bench in a folder that is made."""
    folder.mkdir(parents=True, exist_ok=True)
    return MadeBench(folder, simulated=simulated)


class FedWatch:
    """One watch of a unit, fed with readings; the truth is what the counter would read.

    Args:
        bench: journal, register and clock.
        nominal: hertz.
        seed: of the noise.
    """

    def __init__(self, bench: MadeBench, nominal: Decimal = TEN_MHZ, seed: int = 7) -> None:
        self.bench, self.nominal = bench, nominal
        self.readings = 0
        self.turns: list[tuple[float, float]] = []
        self._random = np.random.default_rng(seed)
        self._time_base: TimeBaseSource = "external"
        self._gate_s = 1.0
        self._identity = IDENTITY
        self._watched: Watched | None = None

    def begin(self, unit: str | None, **plan: Any) -> Watched:
        """Begin a watch, or the next one of the same visit."""
        fields = {
            "nominal": self.nominal,
            "tolerance": TOLERANCE,
            "settle": SETTLED,
            "reference": REFERENCE,
        } | plan
        self._watched = self.bench.watch(unit, **fields)
        self.time_base("external")
        return self._watched

    @property
    def watched(self) -> Watched:
        """The watch that was begun last."""
        assert self._watched is not None
        return self._watched

    def time_base(self, source: TimeBaseSource, identity: str = IDENTITY) -> None:
        """State which time base counts the readings that follow, and what the counter answers."""
        self._time_base, self._identity = source, identity
        self._state()

    def _state(self) -> None:
        """Publish what the counter states of itself."""
        self.watched.thread.asked["on_status"](
            CounterStatus(
                link=LinkStatus("reading", 0.5),
                identity=Identity(text=self._identity),
                time_base=TimeBase(self._time_base),
                gate_s=self._gate_s,
                nominal=self.nominal,
            )
        )

    def feed(
        self, offsets: Iterable[float], *, spacing_s: float = 1.0, setting: Decimal | None = None
    ) -> None:
        """Feed readings of a true offset, each `spacing_s` after the one before it.

        Args:
            offsets: true offset of each, fractional.
            spacing_s: also the gate.
            setting: the other dial setting in hertz to which the unit is dialled.
        """
        goal = setting or self.nominal
        base = 0.0 if self._time_base == "internal" else REFERENCE.offset
        if spacing_s != self._gate_s:
            self._gate_s = spacing_s
            self._state()
        for true in offsets:
            self.bench.clock.now_s += spacing_s
            read = (1.0 + true + float(self._random.normal(0.0, NOISE))) / (1.0 + base) - 1.0
            hertz = goal * (1 + Decimal(repr(read)))
            text = f"{hertz:.4f}" if setting is None else f"{hertz:.6f}"
            self._give(text, goal, spacing_s, setting)

    def gap(self, lasted_s: float, reason: str = "no reply within 2.5 s") -> None:
        """Let no reading come for so long."""
        watched, clock = self.watched, self.bench.clock
        watched.thread.asked["on_event"](
            Gap(
                counter=self.watched.name,
                utc_s=clock.utc(),
                elapsed_s=clock.monotonic() - watched.began_s,
                lasted_s=lasted_s,
                reason=reason,
            )
        )
        clock.now_s += lasted_s

    def turn(self, size: float) -> None:
        """Note that the trimmer is turned between the newest reading and the next one."""
        self.turns.append((self.bench.clock.utc() + 1.0, size))

    def prove_chain(self) -> None:
        """Put a comparison with a second counter on record."""
        result = made_result({"main": (0.0, "external"), "spare": (0.0, "external")})
        values = result.as_dict() | {"sentences": list(CHAIN_WORDS.sentences(result))}
        clock, watched = self.bench.clock, self.watched
        at = clock.utc(), clock.monotonic() - watched.began_s
        answer = CHAIN_WORDS.answer(result)
        watched.counter.pipeline.change_visit(
            lambda visit: visit.add_comparison(answer, values, *at)
        )

    def check(self, setting: Decimal, miss: float, offset: float) -> None:
        """Check the output at another setting, where it reads `miss` beside the main `offset`."""
        clock, watched = self.bench.clock, self.watched
        watched.counter.check(f"{setting} Hz")
        left = clock.utc(), clock.monotonic() - watched.began_s
        clock.now_s += 8.0
        self.feed([offset + miss] * 22, setting=setting)
        watched.counter.pipeline.refresh()
        watched.counter.go_on_checking()
        clock.now_s += 8.0
        watched.thread.asked["on_event"](
            Gap(
                counter=watched.name,
                utc_s=left[0],
                elapsed_s=left[1],
                lasted_s=clock.utc() - left[0],
                reason=f"{DIALLED} {setting} Hz",
            )
        )
        self.feed([offset] * 10)

    def done(self, **truth: Any) -> MadeVisit:
        """Return the newest visit of the register."""
        visit = self.bench.visits()[-1]
        return MadeVisit(
            bench=self.bench,
            name=visit.name,
            nominal_hz=self.nominal,
            readings=self.readings,
            turns=tuple(self.turns),
            **truth,
        )

    def _give(self, text: str, goal: Decimal, gate_s: float, setting: Decimal | None) -> None:
        clock, watched = self.bench.clock, self.watched
        offset_hz, offset = difference(Decimal(text), goal)
        flags: set[Flag] = set() if setting is None else {OTHER_DIAL}
        if self._time_base == "internal":
            flags.add(INTERNAL_TIMEBASE)
        watched.thread.asked["on_event"](
            Reading(
                counter=watched.name,
                utc_s=clock.utc(),
                elapsed_s=clock.monotonic() - watched.began_s,
                gate_s=gate_s,
                text=text,
                frequency_hz=float(text),
                offset_hz=offset_hz,
                offset=offset,
                resolution_hz=1e-4 if setting is None else 1e-6,
                flags=frozenset(flags),
                dial_hz=None if setting is None else float(setting),
            )
        )
        self.readings += setting is None


def warm_up(rest: float, from_s: float, count: int, spacing_s: float) -> list[float]:
    """Return the offsets of an oven that comes in from 400 ppb away, `from_s` after power-on."""
    return [rest + 4e-7 * math.exp(-(from_s + n * spacing_s) / 500.0) for n in range(1, count + 1)]


@made_once
def good_visit(folder: Path, *, closes: bool = True, simulated: str | None = None) -> MadeVisit:
    """Make a visit that went well, over two days: 36.97 ppb found, 0.12 ppb left, closed.

    Three turns with the tool on, which pulls by 2 ppb; two checks at other dial settings, of which
    the output misses at one.
    """
    bench, found, left = _bench(folder, simulated), FOUND, LEFT
    bench.make_unit(
        UNIT, nominal_hz=TEN_MHZ, tolerance=TOLERANCE, settle=SETTLED.limit,
        settle_horizon_s=SETTLED.horizon_s, checks=CHECKED_HZ, working_hz=(1e8,),
        description="10 MHz oven oscillator of the telemetry transmitter",
        place="tide-gauge station, north mast", owner="harbour office",
    )  # fmt: skip
    made = FedWatch(bench)
    watched = made.begin(UNIT)
    began_utc_s = bench.clock.utc()
    say = watched.counter.change_visit
    made.feed(warm_up(found, 0.0, 400, 10.0), spacing_s=10.0)
    say("condition", "room 21.5 C")
    say("condition", "supply 12.02 V")
    say("note", "arrived with the cover taped shut; trimmer sealed with paint")
    watched.end()
    bench.clock.now_s += 14 * HOUR_S
    watched = made.begin(UNIT)
    say = watched.counter.change_visit
    say("stayed on", "")
    made.feed([found] * 620)
    watched.counter.record("as found")
    _trim(made, found, (18e-9, 2e-9, left), pull=2e-9)
    made.gap(12.0)
    made.feed([left] * 640)
    made.prove_chain()
    made.check(Decimal(1_000_000), 0.0, left)
    made.check(Decimal(100_000_000), 2e-8, left)
    made.feed([left] * 130, spacing_s=10.0)
    say("note", "seal renewed, cover back on")
    watched.counter.record("as left")
    if closes:
        say("close visit", "")
    watched.end()
    return made.done(found=found, left=left, power_on_utc_s=began_utc_s)


def _trim(made: FedWatch, offset: float, goals: Sequence[float], pull: float) -> None:
    """Turn the trimmer to each of `goals` with the tool on, which moves the offset by `pull`."""
    watched = made.watched
    watched.counter.touch(on=True)
    made.feed([offset + pull] * 30)
    for goal in goals:
        made.turn(goal - offset)
        offset = goal
        made.feed([offset + pull] * 40)
    watched.counter.touch(on=False)
    made.feed([offset] * 20)


@made_once
def bad_visit(folder: Path) -> MadeVisit:
    """Make a visit that went badly: 5 MHz, counted by the counter itself, and cut off.

    It never settled, the tool was left on, it was left outside the tolerance, and the program was
    killed. The visit is open.
    """
    bench, rest = _bench(folder), -19e-9
    bench.make_unit("0417", nominal_hz=FIVE_MHZ, description="5 MHz oven oscillator", owner="")
    made = FedWatch(bench, FIVE_MHZ)
    watched = made.begin("0417")
    began_utc_s = bench.clock.utc()
    made.time_base("internal")
    made.feed(warm_up(-52e-9, 0.0, 240, 5.0), spacing_s=5.0)
    watched.counter.touch(on=True)
    made.feed(warm_up(-52e-9, 1200.0, 20, 1.0))
    made.turn(33e-9)
    made.feed(warm_up(rest, 1220.0, 60, 1.0))
    watched.counter.record("as left")
    made.feed(warm_up(rest, 1280.0, 20, 1.0))
    bench.kill(watched)
    return made.done(power_on_utc_s=began_utc_s)


@made_once
def empty_visit(folder: Path) -> MadeVisit:
    """Make a visit that was opened and closed again, without a reading."""
    made = FedWatch(_bench(folder))
    watched = made.begin(UNIT)
    watched.counter.change_visit("note", "the unit does not start: fuse open")
    watched.end()
    return made.done()


@made_once
def long_visit(folder: Path, notes: int = 400) -> MadeVisit:
    """Make a visit with very many notes and very long names."""
    bench, found = _bench(folder), 3.1e-9
    bench.make_unit(
        "0418-" + "x" * 59, nominal_hz=TEN_MHZ, tolerance=TOLERANCE, description=LONG_NAME,
        place=LONG_NAME, owner="Harbour office for tide gauges and telemetry " * 3,
    )  # fmt: skip
    made = FedWatch(bench)
    watched = made.begin("0418-" + "x" * 59, settle=None)
    made.feed([found] * 80)
    watched.counter.record("as found")
    writer = watched.counter.pipeline.register
    assert writer is not None
    visit = bench.visits()[-1]
    texts = [
        f"note {number}: the fan was on for a while, then off" + number % 7 * ", and on again"
        for number in range(1, notes + 1)
    ]
    one = Draft(kind="note", unit=visit.unit, visit=visit.name, document={})
    writer.add(
        replace(one, document={"text": text}, at_utc_s=bench.clock.utc() + place)
        for place, text in enumerate(texts)
    )
    bench.clock.now_s += notes
    made.feed([found] * 80)
    watched.counter.record("as left")
    watched.counter.change_visit("close visit", "")
    watched.end()
    return made.done(found=found, left=found)


@made_once
def hostile_visit(folder: Path) -> MadeVisit:
    """Make a visit whose texts are markup, formulas, terminal escapes and other scripts."""
    bench, found = _bench(folder), 3.1e-9
    ident = "0418 =cmd() <b> #x"
    bench.make_unit(
        ident, nominal_hz=TEN_MHZ, tolerance=TOLERANCE, description=" ".join(HOSTILE),
        place=HOSTILE[8], owner=HOSTILE[9],
    )  # fmt: skip
    made = FedWatch(bench)
    watched = made.begin(ident, settle=None)
    made.time_base("external", identity=" ".join(HOSTILE[:4]))
    made.feed([found] * 80)
    for place, text in enumerate(HOSTILE):
        watched.counter.change_visit("note", text)
        watched.counter.change_visit("condition", f"<i>{place} {text}")
    watched.counter.change_visit("note", "0123456789" * 200)
    watched.counter.record("as found")
    watched.counter.record("as left")
    watched.counter.change_visit("close visit", "")
    watched.end()
    return made.done(found=found, left=found)


@made_once
def ageing_visits(folder: Path, years: int = 5) -> MadeVisit:
    """Make a closed visit a year, which finds the unit 3 ppb above as left; return the newest."""
    bench = _bench(folder)
    bench.make_unit(UNIT, nominal_hz=TEN_MHZ, tolerance=TOLERANCE)
    for year in range(years):
        made = _yearly_visit(bench, 3e-9 + 1e-10 * year)
    return made


def _yearly_visit(bench: MadeBench, found: float) -> MadeVisit:
    made = FedWatch(bench)
    watched = made.begin(UNIT, settle=None)
    made.feed([found] * 90)
    watched.counter.record("as found")
    made.turn(-found)
    made.feed([0.0] * 90)
    watched.counter.record("as left")
    watched.counter.change_visit("close visit", "")
    watched.end()
    bench.clock.shift_s += 365.25 * DAY_S
    return made.done(found=found, left=0.0)


def many_readings_visit(folder: Path, readings: int, *, spike_at: int | None = None) -> MadeVisit:
    """Write a closed visit with a record and many readings, quickly: not by a watch.

    Args:
        folder: where to.
        readings: how many, one a second: 0.12 ppb with noise.
        spike_at: number of a reading that is 400 ppb off; None: none is.
    """
    bench = _bench(folder)
    began_utc_s = bench.clock.utc()
    plan = Plan(name="main", resource="TCPIP0::127.0.0.1::5025::SOCKET", nominal=TEN_MHZ)
    hertz = np.random.default_rng(7).normal(1.2e-3, 2e-4, readings).round(4)
    if spike_at is not None:
        hertz[spike_at - 1] = 4.0
    with closing(Journal(bench.journal)) as journal:
        run = run_of(plan, began_utc_s, watch=1)
        writer = RunWriter(journal, run)
        writer.update_run(identity=IDENTITY, time_base="external", gate_s=1.0)
        writer.update_run(ended_utc_s=began_utc_s + readings, end_reason="stopped")
    rows = (
        (run.key, number, began_utc_s + number, number, 1.0, f"{10_000_000 + one:.4f}", 1e-4, "")
        for number, one in enumerate(hertz.tolist(), start=1)
    )
    with closing(sqlite3.connect(bench.journal)) as connection, connection:
        connection.executemany("INSERT INTO readings VALUES (?,?,?,?,?,?,?,?)", rows)
    bench.make_unit(UNIT, nominal_hz=TEN_MHZ, tolerance=TOLERANCE)
    ended_utc_s = began_utc_s + readings
    left = record("as left", 0.12e-9, utc_s=ended_utc_s - 10.0)
    one = Draft(kind="visit", unit=UNIT, document={}, at_utc_s=began_utc_s)
    opening = {
        "source": "watch", "counter": "main", "resource": plan.resource,
        "nominal_hz": str(TEN_MHZ), "tolerance": TOLERANCE,
    }  # fmt: skip
    running = {
        "run": run.key, "journal": bench.journal.name, "counter": "main",
        "resource": plan.resource,
    }  # fmt: skip
    RegisterFile(bench.register).add(
        [
            replace(one, document=opening),
            replace(one, kind="run", document=running),
            replace(
                one, kind="record", document={"record": left.as_dict(), "automatic": False},
                at_utc_s=ended_utc_s - 10.0,
            ),
            replace(one, kind="closed", document={}, at_utc_s=ended_utc_s),
        ]
    )  # fmt: skip
    visit = bench.visits()[-1]
    return MadeVisit(bench=bench, name=visit.name, readings=readings, left=0.12e-9)
