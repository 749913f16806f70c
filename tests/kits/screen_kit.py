"""Made snapshots, pictures of them, and fakes of the screen's interfaces."""

import math
import os
import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from benchwatch.counter import Identity, LinkStatus, TimeBase
from benchwatch.errors import UnknownUnit, UsageError
from benchwatch.estimate.derived_frequencies import elsewhere, seconds_per_day
from benchwatch.estimate.dither import Dither
from benchwatch.estimate.results import (
    Drift,
    Estimate,
    Nudge,
    Numbers,
    Settle,
    SettleLimit,
    Tolerance,
)
from benchwatch.estimate.stability.deviation_point import Deviation
from benchwatch.estimate.trim.landing import LandingNow
from benchwatch.estimate.trim.mean_pull import MeanPull
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.estimate.trim.trim_hint import Hint, Judgement
from benchwatch.estimate.uncertainty.offset_record import (
    Noise,
    OffsetRecord,
    Reference,
    offset_budget,
)
from benchwatch.quantity import OffsetUnit
from benchwatch.reading import TOOL_WORDS, Reading
from benchwatch.run.bench_ranking import bench_state
from benchwatch.screen.axis_state import AxisState
from benchwatch.screen.drawing.styled_text import StyledLine
from benchwatch.screen.frame import BenchRow, Frame, Panel, drawn, stack
from benchwatch.screen.key_binding import capabilities
from benchwatch.screen.preferences import Preferences
from benchwatch.screen.view import View, ViewList, all_panels, picture
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.screen.watch_source import ChainControl
from benchwatch.snapshot import (
    ComparisonNow,
    ElsewhereNow,
    LoggedEvent,
    Playback,
    Records,
    Snapshot,
    StabilityNow,
    Trace,
    TrimNow,
    WarmUp,
)

NOMINAL_HZ = 10_000_000.0
NOW_S = 754.0
GAP_BEFORE_S = 55.6
"""From the gap in the made trace to the nudge, in seconds."""
SNAPSHOTS = Path(__file__).parents[1] / "snapshots"
UPDATE = "BENCHWATCH_UPDATE_SNAPSHOTS"
"""Set to 1 to rewrite the screen snapshots; look at the difference before keeping it."""


def reading(offset: float, elapsed_s: float = NOW_S - 0.4, **changes: Any) -> Reading:
    """Make a reading of the 10 MHz oscillator."""
    offset_hz = offset * NOMINAL_HZ
    made = Reading(
        counter="main",
        utc_s=1_935_000_000.0 + elapsed_s,
        elapsed_s=elapsed_s,
        gate_s=1.0,
        text=f"{NOMINAL_HZ + offset_hz:.4f}",
        frequency_hz=NOMINAL_HZ + offset_hz,
        offset_hz=offset_hz,
        offset=offset,
        resolution_hz=1e-4,
    )
    return replace(made, **changes)


def snapshot(**changes: Any) -> Snapshot:
    """Make a snapshot of a counter in the middle of a trim; `changes` replace fields."""
    made = Snapshot(
        counter="main",
        resource="TCPIP0::127.0.0.1::5025::SOCKET",
        nominal_hz=NOMINAL_HZ,
        link=LinkStatus("reading", 1.2),
        identity=Identity(text="Station bench,SCPI counter,0042,1.0"),
        time_base=TimeBase("external"),
        gate_s=1.0,
        reading=reading(2.46e-9),
        numbers=numbers(),
        readings=740,
    )
    return replace(made, **changes)


def numbers(**changes: Any) -> Numbers:
    """Make the numbers that go with `snapshot`."""
    made = Numbers(
        estimate=Estimate(2.31e-9, 1.1e-10, 14, 14.0),
        drift=Drift(-2.3e-12, 4.0e-13, 120.0),
        last_nudge=Nudge(NOW_S - 14.4, -4.62e-9, 1.5e-10),
        settle=Settle(
            "warming", None, 420.0, 300.0, 660.0,
            "moves by 1.4 ppb in 10 min, asked for is 1 ppb",
        ),
        tolerance=Tolerance(1e-9, inside=False),
        noise=3.2e-10,
    )  # fmt: skip
    return replace(made, **changes)


def record(kind: str, offset: float, **changes: Any) -> OffsetRecord:
    """Make a recorded offset with the budget of a counter on a reference."""
    budget = offset_budget(
        offset,
        noise=Noise(u=4.1e-11, dof=11.0, averaging_s=30.0),
        resolution=1e-11,
        drift_per_s=-2.3e-13,
        span_s=30.0,
        reference=Reference(
            name="station reference", u=5e-11, source="certificate, half of U (k = 2)"
        ),
    )
    made = OffsetRecord(
        kind=kind,
        counter="main",
        nominal_hz=NOMINAL_HZ,
        utc_s=1_935_000_000.0,
        span_s=30.0,
        readings=30,
        budget=budget,
    )  # type: ignore[arg-type]
    return replace(made, **changes)


def trim_now(**changes: Any) -> TrimNow:
    """Make the state of a trim 14 s after a nudge."""
    made = TrimNow(
        direction="high",
        judgement=Judgement(2.3e-10, 0.62, 9.0),
        hint=Hint(0.5, 0.04, -2.31e-9, 1.1e-10),
        tool=ToolState(on=False, since_s=NOW_S - 16.0, pull=MeanPull(3.02e-9, 1.1e-10, 4)),
        landing=LandingNow("outside", 0.0, 30.0, "outside the tolerance"),
        turn=numbers().last_nudge,
    )
    return replace(made, **changes)


def warm_up(**changes: Any) -> WarmUp:
    """Make a warm-up on its way, fitted, with a forecast."""
    times = tuple(754.0 * i / 60 for i in range(81))
    curve = Trace(times, tuple(2.1e-9 + 4e-7 * math.exp(-t / 160.0) for t in times))
    return replace(
        WarmUp(since_s=0.0, curve=curve, end=2.1e-9, end_u=4e-10, limit=SettleLimit(1e-9, 600.0)),
        **changes,
    )


@cache
def warm_trace() -> Trace:
    """Make the trace of the readings during `warm_up`."""
    chance = random.Random(7)
    times = tuple(0.5 + 754.0 * i / 400 for i in range(400))
    values = (2.1e-9 + 4e-7 * math.exp(-t / 160.0) + chance.gauss(0, 3e-10) for t in times)
    return Trace(times, tuple(values))


def stability(**changes: Any) -> StabilityNow:
    """Make deviations of white FM that turn to flicker, with their limits."""
    made = []
    for kind in ("mdev", "oadev"):
        for m in range(9):
            tau_s = 2.0**m
            value = math.hypot(3.2e-10 / math.sqrt(tau_s), 4e-11)
            spread = 0.05 * 1.5**m
            low, high = value / (1 + spread), value * (1 + spread)
            made.append(
                Deviation(kind, tau_s, value, low, high, 0.6827, 60.0, 700 - m, "white FM")  # type: ignore[arg-type]
            )
    dither = Dither(1.71e-9, 3.4e-10, 3.2e-10, 60, 59.0)
    rest = tuple(replace(one, value=0.9 * one.value) for one in made)
    now = StabilityNow(
        deviations=tuple(made), without_drift=rest, dither=dither, readings=740, span_s=740.0,
        since="nudge", since_s=320.0,
        since_deviations=tuple(made), since_without_drift=rest, since_readings=420,
        since_span_s=420.0,
    )  # fmt: skip
    return replace(now, **changes)


def logged_events(count: int = 0, nudge: Nudge | None = None) -> tuple[LoggedEvent, ...]:
    """Make the log of a trim up to `nudge`, and `count` more marks.

    The default `nudge` is that of `numbers`.
    """
    utc_s = 1_935_000_000.0
    nudge = nudge or numbers().last_nudge
    assert nudge is not None
    before = nudge.at_s - 4.5
    return (
        LoggedEvent(
            utc_s=utc_s, elapsed_s=0.4, kind="setting", text="nominal 10 MHz, tolerance 1 ppb"
        ),
        LoggedEvent(
            utc_s=utc_s + 2,
            elapsed_s=2.1,
            kind="caution",
            text="the counter is on its own time base",
        ),
        LoggedEvent(
            utc_s=utc_s + nudge.at_s - GAP_BEFORE_S,
            elapsed_s=nudge.at_s - GAP_BEFORE_S,
            kind="gap",
            text="no readings for 10 s: no reply within 2.5 s",
        ),
        LoggedEvent(
            utc_s=utc_s + before - 31,
            elapsed_s=before - 31.0,
            kind="record",
            text="as found +6.93 ± 0.09 ppb",
        ),
        LoggedEvent(utc_s=utc_s + before, elapsed_s=before, kind="tool", text="tool on"),
        LoggedEvent(
            utc_s=utc_s + nudge.at_s, elapsed_s=nudge.at_s, kind="nudge", text="", nudge=nudge
        ),
        LoggedEvent(
            utc_s=utc_s + 745, elapsed_s=745.0, kind="mark", text="lid back on [b]soon[/b]"
        ),
        *(
            LoggedEvent(utc_s=utc_s + 746 + i, elapsed_s=746.0 + i, kind="mark", text=f"mark {i}")
            for i in range(count)
        ),
    )


def full_snapshot(**changes: Any) -> Snapshot:
    """Make a snapshot in which every optional part is filled."""
    made = snapshot(
        trim=trim_now(),
        records=Records(record("as found", 6.93e-9), as_found_automatic=True),
        warm_up=warm_up(),
        stability=stability(),
        elsewhere=ElsewhereNow(
            elsewhere(2.31e-9, NOMINAL_HZ, (1e6, 10e6, 100e6, 1.575e9, 1.0), 1.1e-10),
            seconds_per_day(2.31e-9),
            seconds_per_day(1.1e-10),
        ),
        logged_events=logged_events(),
    )
    return replace(made, **changes)


@cache
def trace(
    span_s: float = 120.0,
    points: int = 240,
    now_s: float = NOW_S,
    *,
    nudge_ago_s: float = 14.4,
    level: float = 2.3e-9,
) -> Trace:
    """Make a trace with a nudge to `level` some time ago, and a gap of 10 s before it."""
    chance = random.Random(5)
    times = [now_s - span_s + span_s * i / (points - 1) for i in range(points)]
    values = [
        math.nan
        if -10.0 < t - (now_s - nudge_ago_s - GAP_BEFORE_S) - 10.0 < 0.0
        else (6.9e-9 if t < now_s - nudge_ago_s else level) + chance.gauss(0, 3.2e-10)
        for t in times
    ]
    return Trace(tuple(times), tuple(values))


def frame(
    shown: Snapshot | None = None,
    view: str = "trim",
    *,
    trimmer: bool = False,
    operator: bool = False,
    sound: bool = False,
    views: ViewList = VIEWS,
    **changes: Any,
) -> Frame:
    """Make the frame that the app would make of `shown` in `view`, one of `views`."""
    shown = shown or snapshot()
    usual = warm_trace() if view == "warm_up" else trace()
    past = changes.pop("trace", usual)
    there = capabilities(
        trimmer=trimmer,
        operator=operator,
        counters=len(changes.get("names", ("main",))),
        playing=changes.get("playing") is not None,
        sound=sound,
        compare=changes.pop("compare", False),
    )
    axes, current = AxisState(), views.named(view)
    axes.follow(shown, NOW_S)
    chart = current.chart(shown, Preferences(), NOW_S)
    made = Frame(
        snapshot=shown,
        now_s=NOW_S,
        trace=past,
        names=("main",),
        rows=[bench_row(shown, axes)] if current.whole_bench else (),
        unit=axes.unit,
        drift_unit=axes.drift_unit,
        hertz_format=axes.offset_formats.hertz,
        fraction_format=axes.offset_formats.fraction,
        left_hertz_format=axes.left_formats.hertz,
        left_fraction_format=axes.left_formats.fraction,
        scale_full=axes.scale.full,
        window=axes.window(view, chart, shown, past, NOW_S),
        capabilities=there,
        tabs=views.tabs_for(current, there),
        keys=views.keys_in(current, there),
    )
    return replace(made, **changes)


def bench_row(shown: Snapshot, axes: AxisState) -> BenchRow:
    """Make the row of one counter on a bench."""
    return BenchRow(
        number=1,
        snapshot=shown,
        state=bench_state(shown, NOW_S),
        unit=axes.unit,
        fraction_format=axes.offset_formats.fraction,
        scale_full=axes.scale.full,
    )


def in_view(made: Frame, view: str, views: ViewList = VIEWS) -> Frame:
    """Return the frame that the app would make in another view."""
    current, snapshot = views.named(view), made.snapshot
    chart = current.chart(snapshot, made.preferences, NOW_S)
    return replace(
        made,
        tabs=views.tabs_for(current, made.capabilities),
        keys=views.keys_in(current, made.capabilities),
        window=AxisState().window(view, chart, snapshot, made.trace, NOW_S),
    )


def plain(view: str, made: Frame, width: int, height: int, views: ViewList = VIEWS) -> str:
    """Draw a whole view as plain text."""
    made = in_view(made, view, views)
    return text_of(picture(views.named(view), made, width, height), made)


def text_of(rows: Sequence[StyledLine], made: Frame) -> str:
    """Return rows as plain text without trailing blanks."""
    return "".join(made.theme.text(row.plain).rstrip() + "\n" for row in rows)


def own_rows(name: str, made: Frame, width: int, height: int, views: ViewList = VIEWS) -> str:
    """Draw the view's own rows, without those that are above and below every view."""
    view = views.named(name)
    return panel_rows(view, in_view(made, name, views), (width, height), view.panels)


def panel_rows(view: View, made: Frame, size: tuple[int, int], panels: Sequence[Panel]) -> str:
    """Draw the rows of some panels, at their size in the whole picture of `view`, as plain text."""
    lines = [
        row
        for panel, rows in stack(all_panels(view), made, *size)
        if panel in panels
        for row in drawn(panel, made, size[0], rows)
    ]
    return text_of(lines, made)


def kept(name: str) -> str:
    """Return the kept snapshot `name`."""
    return (SNAPSHOTS / f"{name}.txt").read_text(encoding="utf-8")


def compare(name: str, text: str) -> None:
    """Compare `text` with the kept snapshot `name`; write it first if `UPDATE` is set to 1."""
    path = SNAPSHOTS / (name if "." in name else f"{name}.txt")
    if os.environ.get(UPDATE) == "1":
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    assert path.exists(), f"no snapshot {path.name}; make it with {UPDATE}=1 and look at it"
    assert text == path.read_text(encoding="utf-8"), f"the screen differs from {path.name}"


class FakeWatch:
    """A watch whose snapshots and clock a test sets."""

    chain: ChainControl | None = None
    compared: ComparisonNow | None = None

    def __init__(
        self,
        *shown: Snapshot,
        now_s: float = NOW_S,
        operator: "FakeOperator | None" = None,
    ) -> None:
        self.operator = operator
        self.shown = {one.counter: one for one in shown or (snapshot(),)}
        self.now_s = now_s
        self.marks: list[str] = []
        self.units = ["0417"]
        self.visit_changes: list[tuple[str, str]] = []
        self.traces: list[tuple[str, float, int]] = []
        self.enter: Callable[[str], None] | None = None
        """Takes typed readings; None: they come from a counter."""

    @property
    def names(self) -> Sequence[str]:
        """Names of the counters."""
        return tuple(self.shown)

    def counter(self, name: str) -> "FakeCounter":
        """Return the handle to a counter."""
        return FakeCounter(name, self)

    def comparison(self, name: str) -> ComparisonNow | None:
        """Return the comparison that the test set."""
        return self.compared if self.compared and name in self.compared.counters else None

    def snapshot(self, name: str) -> Snapshot:
        """Return the snapshot that was set."""
        return self.shown[name]

    def trace(self, name: str, span_s: float, points: int) -> Trace:
        """Record the call; return the made trace."""
        self.traces.append((name, span_s, points))
        return trace(span_s) if points else Trace()

    def mark(self, text: str) -> None:
        """Record the mark."""
        self.marks.append(text)

    def elapsed_s(self) -> float:
        """Return the time that was set."""
        return self.now_s


class FakeCounter:
    """The handle to one counter of a `FakeWatch`; without an operator, as for a recording."""

    def __init__(self, name: str, watch: FakeWatch) -> None:
        self._name, self._watch, self._operator = name, watch, watch.operator or FakeOperator()
        self.takes_commands = watch.operator is not None
        self.enter = watch.enter

    @property
    def snapshot(self) -> Snapshot:
        """The snapshot that was set."""
        return self._watch.snapshot(self._name)

    def trace(self, span_s: float, points: int) -> Trace:
        """Return the made trace."""
        return self._watch.trace(self._name, span_s, points)

    def touch(self, *, on: bool) -> None:
        """Note the touch."""
        if self.takes_commands:
            self._operator.touch(self._name, on=on)
        else:
            self._watch.mark(TOOL_WORDS[on])

    def record(self, kind: str, unit: OffsetUnit | None = None) -> str:
        """Note the record."""
        return self._operator.record(self._name, kind, unit)

    def check(self, text: str) -> str:
        """Note the check."""
        return self._operator.check(self._name, text)

    def go_on_checking(self) -> str:
        """Note that it went on."""
        return self._operator.check(self._name, "go on")

    def change(self, setting: str, text: str) -> str:
        """Note the change."""
        return self._operator.change(self._name, setting, text)

    def change_visit(self, change: str, text: str) -> str:
        """Note the change of the visit; only the unit 0417 is known, and others once made."""
        if change == "unit" and text not in self._watch.units:
            raise UnknownUnit(f"there is no unit {text} yet.")
        if change == "new unit":
            self._watch.units.append(text)
        self._watch.visit_changes.append((change, text))
        return f"{change} {text}".strip()

    def note_report(self, number: int, text: str) -> None:
        """Note where the report on a visit was written."""
        self._watch.visit_changes.append((f"report on visit {number}", text))


class FakeTrimmer:
    """A trimmer that records its turns and touches, each with the counter it was for."""

    def __init__(self) -> None:
        self.turns: list[tuple[str, float]] = []
        self.tool: list[tuple[str, bool]] = []
        self.dialled: list[tuple[str, Decimal]] = []

    def turn(self, counter: str, amount: float) -> None:
        """Record the turn."""
        self.turns.append((counter, amount))

    def rest_tool(self, counter: str, on: bool) -> None:
        """Record the touch or the lift."""
        self.tool.append((counter, on))

    def dial(self, counter: str, frequency_hz: Decimal) -> None:
        """Record the setting."""
        self.dialled.append((counter, frequency_hz))


class FakeOperator:
    """Commands of the operator; records each call."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, ...]] = []

    def touch(self, name: str, *, on: bool) -> None:
        """Note the touch."""
        self.calls.append(("touch", name, "on" if on else "off"))

    def record(self, name: str, kind: str, unit: OffsetUnit | None = None) -> str:
        """Note the record."""
        self.calls.append(("record", name, kind))
        return f"recorded {kind}"

    def check(self, name: str, text: str) -> str:
        """Note the check."""
        self.calls.append(("check", name, text))
        return f"check {text}"

    def change(self, name: str, setting: str, text: str) -> str:
        """Record the change; refuse a text with "nonsense" as the program refuses a bad value."""
        if "nonsense" in text:
            raise UsageError(f"'{text}' is no {setting}.")
        self.calls.append(("change", name, setting, text))
        return f"{setting} is {text}"


class FakeTransport:
    """A transport that records each call."""

    def __init__(self, at_s: float = 100.0, length_s: float = 1000.0) -> None:
        self.playing = Playback(state="playing", at_s=at_s, length_s=length_s, speed=20.0)
        self.calls: list[object] = []

    def pause(self) -> None:
        """Record the call."""
        self.calls.append("pause")

    def faster(self, steps: int) -> None:
        """Record the call."""
        self.calls.append(("speed", steps))

    def seek(self, to_s: float) -> None:
        """Record the call."""
        self.calls.append(("seek", to_s))
