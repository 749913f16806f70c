"""Made benches of several counters: snapshots in every state, and the frame of the bench view."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import screen_kit as kit

from benchwatch.counter import LinkStatus, TimeBase
from benchwatch.estimate.results import Estimate, Numbers, Settle, Tolerance
from benchwatch.estimate.trim.landing import LandingNow
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.run.bench_ranking import (
    BenchRanking,
    bench_standing,
    bench_state,
    share_of_tolerance,
    sum_of_troubles,
)
from benchwatch.screen.axis_state import AxisState
from benchwatch.screen.frame import BenchRow, Frame
from benchwatch.screen.views.view_list import VIEWS
from benchwatch.snapshot import Records, Snapshot, VisitNow

SETTLED = Settle("settled", kit.NOW_S - 750.0, None)
WARMING = Settle("warming", None, 420.0)
FOUND = Records(kit.record("as found", 6.93e-9))
LANDED = LandingNow("landed", 58.0, 30.0, "inside and staying there, hands off")


def counter(
    name: str,
    offset: float = 2.4e-10,
    u: float | None = 8.6e-11,
    *,
    settle: Settle | None = SETTLED,
    landed: bool = False,
    unit: str = "",
    **changes: Any,
) -> Snapshot:
    """Make the snapshot of a counter with a tolerance of 1 ppb; `changes` replace fields."""
    numbers = kit.numbers(
        estimate=Estimate(offset, u, 30, 30.0),
        settle=settle,
        last_nudge=None,
        tolerance=Tolerance(1e-9, inside=abs(offset) <= 1e-9),
    )
    trim = replace(
        kit.trim_now(turn=None, tool=ToolState(), judgement=None),
        landing=LANDED if landed else None,
    )
    made = kit.snapshot(
        counter=name,
        numbers=numbers,
        trim=trim,
        reading=kit.reading(offset),
        visit=VisitNow(unit=unit) if unit else None,
        spacing_s=1.0,
    )
    return replace(made, **changes)


def every_state() -> list[Snapshot]:
    """Make nine counters, one in each state, in the order of a bench and not of their states."""
    lost = LinkStatus("lost", kit.NOW_S - 9.0, "the connection was closed. Next try in 8 s.")
    tool = kit.trim_now(tool=ToolState(True, kit.NOW_S - 9.0), turn=None, judgement=None)
    return [
        counter("ten", unit="0417", landed=True, records=FOUND),
        counter("five", 3.44e-7, 1.1e-9, settle=WARMING, unit="0418"),
        counter("spare", -4.2e-10, 6e-11, settle=WARMING, records=FOUND),
        counter(
            "field",
            reading=kit.reading(1e-10, kit.NOW_S - 9.2),
            link=replace(lost, next_try_s=kit.NOW_S + 3.0),
        ),
        counter("synth", trim=tool, records=FOUND, unit="tide station 12"),
        counter(
            "pulse",
            -1.2e-9,
            3.1e-11,
            reading=kit.reading(-1.2e-9, kit.NOW_S - 321.0),
            link=LinkStatus("silent", kit.NOW_S - 318.0, "no reading for 318 s"),
        ),
        counter("old", 2.8e-8, 1.3e-9, time_base=TimeBase("internal"), settle=None),
        counter(
            "later",
            reading=None,
            numbers=Numbers(),
            identity=None,
            link=LinkStatus("connecting", 3.0, "nobody answers at port 5025. Is it on?"),
        ),
        counter("noisy", 9.1e-10, 2.2e-10, settle=Settle("unsure", None, None)),
        replace(
            counter("own", time_base=TimeBase("internal")),
            visit=VisitNow(unit="0419"),
        ),
    ]


def many(number: int) -> list[Snapshot]:
    """Make a long bench; every 50th counter is outside, every 70th lost."""
    made = []
    for at in range(1, number + 1):
        offset = (2.3e-9 if at % 50 == 0 else 1e-10) + at * 1e-12
        one = counter(f"c{at}", offset, landed=at % 3 == 0)
        if at % 70 == 0:
            one = replace(one, link=LinkStatus("lost", kit.NOW_S - 20.0, "gone"))
        made.append(one)
    return made


def elsewhere(number: int, **changes: Any) -> list[Snapshot]:
    """Make the counters of so many stations, all well; `changes` replace fields of each."""
    return [
        counter(
            f"tide-{at:03}/main",
            1e-10 + at * 1e-12,
            **({"station": f"tide-{at:03}", "resource": "MQTT::broker::8883"} | changes),
        )
        for at in range(1, number + 1)
    ]


def rows_of(shown: Sequence[Snapshot], now_s: float = kit.NOW_S) -> list[BenchRow]:
    """Make the rows of a bench, the worst first."""
    states = {one.counter: bench_state(one, now_s) for one in shown}
    made = {}
    for number, one in enumerate(shown, 1):
        axes = AxisState()
        axes.follow(one, now_s)
        made[one.counter] = BenchRow(
            number=number,
            snapshot=one,
            state=states[one.counter],
            unit=axes.unit,
            fraction_format=axes.offset_formats.fraction,
            scale_full=axes.scale.full,
            share=share_of_tolerance(one),
        )
    standings = {name: bench_standing(row.state, row.share) for name, row in made.items()}
    return [made[name] for name in BenchRanking().follow(standings, now_s)]


def bench_frame(
    shown: Sequence[Snapshot], selected: str = "", view: str = "bench", **changes: Any
) -> Frame:
    """Make the frame of a view with these counters; selected: the top row unless named."""
    rows = rows_of(shown)
    by_name = {one.counter: one for one in shown}
    now = by_name[selected] if selected else rows[0].snapshot
    current = VIEWS.named(view)
    states = {row.snapshot.counter: row.state for row in sorted(rows, key=lambda row: row.number)}
    without = "" if current.whole_bench else now.counter
    return kit.frame(
        now,
        view=view,
        names=tuple(by_name),
        rows=rows if current.whole_bench else (),
        troubles=sum_of_troubles(states, without=without),
        operator=True,
        **changes,
    )
