"""The counters of a watch as the screen keeps them: states, order of rows, and the one shown."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from benchwatch.run.bench_ranking import (
    BenchRanking,
    BenchState,
    BenchTrouble,
    Standing,
    bench_standing,
    bench_state,
    share_of_tolerance,
    sum_of_troubles,
    unchanged_until_s,
)
from benchwatch.screen.counter_state import CounterState
from benchwatch.screen.frame import BenchRow
from benchwatch.screen.typed_commands import CounterChoice
from benchwatch.screen.watch_source import CounterHandle, WatchSource
from benchwatch.snapshot import Snapshot

FAR_ROWS = 10
"""Rows of a step far up or down."""


@dataclass(slots=True, kw_only=True)
class _Kept:
    """What is kept of one counter, so that an unchanged snapshot is looked at only once."""

    number: int
    handle: CounterHandle
    counter: CounterState = field(default_factory=CounterState)
    snapshot: Snapshot | None = None
    state: BenchState = "not there yet"
    holds_until_s: float = -math.inf
    """Until when (seconds of the run) `state` is that of `snapshot`."""
    share: float | None = None
    """Share of the tolerance in `snapshot`."""
    row: BenchRow | None = None
    row_unit: str = ""


class ShownCounters:
    """All counters of a watch, and which one is shown or selected.

    Args:
        watch: gives the snapshots.
        clock_s: seconds that run evenly for people, whatever a recording does.
    """

    def __init__(self, watch: WatchSource, clock_s: Callable[[], float]) -> None:
        self._watch, self._clock_s = watch, clock_s
        self._kept: dict[str, _Kept] = {}
        self._states: dict[str, BenchState] = {}
        self._standings: dict[str, Standing] = {}
        self._ranking = BenchRanking()
        self._order: tuple[str, ...] = ()
        self._sums: dict[str | None, tuple[BenchTrouble, ...]] = {}
        self.name = watch.names[0]
        """The counter that is shown, or selected on the bench."""
        self.chosen = False
        """Whether the operator has chosen it; else it is the top row of the bench."""
        self._know_all()

    @property
    def count(self) -> int:
        """How many counters there are, as of the newest snapshots."""
        return len(self._kept)

    @property
    def handle(self) -> CounterHandle:
        """The handle to the counter that is shown."""
        return self._watch.counter(self.name)

    @property
    def state(self) -> CounterState:
        """The state kept for the counter that is shown."""
        return self._kept[self.name].counter

    def messages(self, now_s: float) -> Iterator[str]:
        """Take the newest snapshots at `now_s`, seconds of the run; yield messages about them."""
        self._know_all()
        several, changed = len(self._kept) > 1, False
        for name, kept in self._kept.items():
            now = kept.handle.snapshot
            if now is not kept.snapshot:
                kept.snapshot, kept.row = now, None
                kept.share = share_of_tolerance(now)
                for text in kept.counter.messages(now, several=several):
                    yield f"{name}: {text}" if several else text
            elif now_s <= kept.holds_until_s:
                continue
            state = bench_state(now, now_s)
            kept.holds_until_s = unchanged_until_s(now, now_s)
            if state != kept.state:
                kept.state, kept.row, changed = state, None, True
                self._states[name] = state
            self._standings[name] = bench_standing(state, kept.share)
        if changed:
            self._sums.clear()
            self._rank()

    def settled(self) -> list[str]:
        """Return the names of the counters that have settled since the last call."""
        return [name for name, kept in self._kept.items() if kept.counter.take_settled()]

    def rows(self, now_s: float, unit: str) -> list[BenchRow]:
        """Return a row for each counter, the worst first; `unit`: the operator's choice or empty.

        Until the operator has chosen a counter, the one in the top row is selected.
        """
        self._rank()
        if not self.chosen:
            self.name = self._order[0]
        return [self._row(self._kept[name], now_s, unit) for name in self._order]

    def _rank(self) -> None:
        """Bring the rows into their order, whenever a state has changed or they are drawn."""
        self._order = self._ranking.follow(self._standings, self._clock_s())

    def _row(self, kept: _Kept, now_s: float, unit: str) -> BenchRow:
        now = kept.snapshot
        assert now is not None
        if kept.row is None or kept.row_unit != unit:
            axes = kept.counter.axes
            axes.follow(now, now_s, unit)
            kept.row_unit = unit
            kept.row = BenchRow(
                number=kept.number,
                snapshot=now,
                state=kept.state,
                unit=axes.unit,
                fraction_format=axes.offset_formats.fraction,
                scale_full=axes.scale.full,
                share=kept.share,
            )
        return kept.row

    def troubles(self, *, others: bool) -> tuple[BenchTrouble, ...]:
        """Return the troubles of the bench by state; `others`: without the counter shown."""
        if len(self._kept) < 2:
            return ()
        without = self.name if others else None
        if without not in self._sums:
            self._sums[without] = sum_of_troubles(self._states, without=without or "")
        return self._sums[without]

    def choices(self) -> list[CounterChoice]:
        """Return the counters that can be opened by name; with a single one, none."""
        if len(self._kept) < 2:
            return []
        return [
            CounterChoice(name, _unit(kept.snapshot), kept.state)
            for name, kept in self._kept.items()
        ]

    # ------------------------------------------------------------ choosing

    def choose(self, name: str) -> None:
        """Choose the counter `name`."""
        self.name, self.chosen = name, True

    def choose_number(self, number: int) -> None:
        """Choose the counter with this number, from 1 on, in the order of the bench."""
        self.choose(tuple(self._kept)[number - 1])

    def step(self, steps: int) -> None:
        """Choose the counter that is `steps` further in the order of the bench, around its end."""
        names = tuple(self._kept)
        self.choose(names[(names.index(self.name) + steps) % len(names)])

    def select(self, steps: float) -> None:
        """Choose the counter `steps` rows below the chosen one; at most the last row, or first."""
        place = self._order.index(self.name) + steps
        self.choose(self._order[int(min(max(place, 0), len(self._order) - 1))])

    def _know_all(self) -> None:
        """Begin to keep the counters that are new: a recording names them as they come."""
        names = self._watch.names
        if len(names) == len(self._kept):
            return
        for number, name in enumerate(names, 1):
            if name not in self._kept:
                self._kept[name] = _Kept(number=number, handle=self._watch.counter(name))
            self._kept[name].number = number
            self._states.setdefault(name, "not there yet")
            self._standings.setdefault(name, bench_standing("not there yet", None))
        self._order = tuple(names)
        self._sums.clear()


def _unit(now: Snapshot | None) -> str:
    """Return the ident of the unit under test; empty where it has none."""
    visit = None if now is None else now.visit
    return (visit.unit or "") if visit is not None else ""
