"""States of counters, the order of their rows, and the sum of troubles."""

from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

import pytest
import screen_kit as kit
from check_kit import checks_now
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.counter import LinkState, LinkStatus, TimeBase
from benchwatch.estimate.results import Estimate, Rest, Settle, SettleHistory
from benchwatch.estimate.trim.tool_pull import ToolState
from benchwatch.estimate.trim.trim_hint import Judgement
from benchwatch.reading import TYPED
from benchwatch.run.bench_ranking import (
    FALLS_AFTER_S,
    SHARE_STEP,
    TROUBLES,
    WORST_FIRST,
    BenchRanking,
    BenchState,
    BenchTrouble,
    Standing,
    bench_standing,
    bench_state,
    sum_of_troubles,
    tolerance_side,
    unchanged_until_s,
)
from benchwatch.snapshot import RelayNow, Snapshot
from benchwatch.staleness import is_current

SETTLED = Settle("settled", 100.0, None)
WARMING = Settle("warming", None, 420.0)
AGAIN = replace(WARMING, held=SettleHistory(600.0, 100.0))
INSIDE = Estimate(2e-10, 1e-10, 14, 14.0)
QUIET = kit.numbers(estimate=INSIDE, last_nudge=None, settle=SETTLED)
AT_REST = kit.trim_now(turn=None, tool=ToolState(), judgement=Judgement(2e-10, 1.0, 0.0))


def made(settle: Settle | None = SETTLED, **changes: object) -> Snapshot:
    """Make the snapshot of a counter in order, but for `changes`."""
    numbers = replace(QUIET, settle=settle)
    return replace(kit.snapshot(numbers=numbers, trim=AT_REST), **changes)  # type: ignore[arg-type]


def linked(state: LinkState, detail: str = "") -> LinkStatus:
    """Make the state of a link."""
    return LinkStatus(state, kit.NOW_S - 3.0, detail)


def with_estimate(offset: float, u: float | None, **changes: object) -> Snapshot:
    """Make a counter with this offset; the tolerance is 1 ppb."""
    return made(numbers=replace(QUIET, estimate=Estimate(offset, u, 9, 9.0), **changes))  # type: ignore[arg-type]


STATES: dict[str, tuple[Snapshot, BenchState]] = {
    "in order": (made(), "ok"),
    "no settle limit": (made(settle=None), "ok"),
    "never read, asking": (made(reading=None, link=linked("connecting")), "not there yet"),
    "never read, lost": (made(reading=None, link=linked("lost")), "not there yet"),
    "never read, open": (made(reading=None), "not there yet"),
    "link lost": (made(link=linked("lost")), "lost"),
    "opened anew": (made(link=linked("connecting")), "lost"),
    "ended by an error": (made(link=linked("ended", "no counter")), "lost"),
    "ended in order": (made(link=linked("ended")), "silent"),
    "silent by the link": (made(link=linked("silent")), "silent"),
    "silent by its age": (made(reading=kit.reading(2e-10, 700.0), spacing_s=1.0), "silent"),
    "outside": (with_estimate(2.3e-9, 1e-10), "outside"),
    "outside, own time base": (
        replace(with_estimate(-2.3e-9, 1e-10), time_base=TimeBase("internal")), "outside",
    ),
    "at the edge": (with_estimate(1.1e-9, 1e-10), "unsure"),
    "creeps back inside": (with_estimate(2.3e-9, 1e-10, rest=Rest(1e-10, 1e-10, 9.0)), "moving"),
    "will rest outside": (with_estimate(1e-10, 1e-10, rest=Rest(2.3e-9, 1e-10, 9.0)), "outside"),
    "on the aim with the tool on": (
        replace(
            with_estimate(3.1e-9, 1e-10),
            trim=replace(AT_REST, tool=replace(kit.trim_now().tool, on=True)),  # type: ignore[type-var]
        ),
        "moving",
    ),
    "own time base": (made(time_base=TimeBase("internal")), "own time base"),
    "own time base, put right": (
        made(time_base=TimeBase("internal"), reading=kit.reading(2e-10, correction=5e-8)), "ok",
    ),
    "tool on": (made(trim=replace(AT_REST, tool=ToolState(on=True, since_s=750.0))), "moving"),
    "tool just moved": (made(trim=replace(AT_REST, touched=True)), "moving"),
    "turn not judged": (made(trim=kit.trim_now()), "moving"),
    "drifts after it had settled": (made(AGAIN), "moving"),
    "warming": (made(WARMING), "warming"),
    "far behind with sending": (made(relay=RelayNow(unsent=400, behind=True)), "unsent"),
    "a little behind": (made(relay=RelayNow(unsent=9, trouble="no broker")), "ok"),
    "warming, and far behind": (made(WARMING, relay=RelayNow(behind=True)), "warming"),
    "too noisy, and far behind": (
        made(Settle("unsure", None, None), relay=RelayNow(behind=True)), "unsent",
    ),
    "no u yet": (made(numbers=replace(QUIET, estimate=Estimate(1e-10, None, 1, 0.0))), "unsure"),
    "no estimate yet": (made(numbers=replace(QUIET, estimate=None)), "unsure"),
    "too noisy to tell": (made(Settle("unsure", None, None)), "unsure"),
}  # fmt: skip


@pytest.mark.parametrize("case", STATES)
def test_a_counter_has_the_state_of_its_snapshot(case: str) -> None:
    """Link, age, tolerance with U, time base, tool, drift, verdict: the worst one counts."""
    shown, state = STATES[case]

    assert bench_state(shown, kit.NOW_S) == state


def test_the_tolerance_is_not_judged_while_the_tool_has_just_been_moved() -> None:
    """The aim changes with the tool, and no reading shows yet by how much."""
    shown = replace(with_estimate(2.3e-9, 1e-10), trim=replace(AT_REST, touched=True))

    assert tolerance_side(shown) is None
    assert bench_state(shown, kit.NOW_S) == "moving"


@given(st.floats(0.5, 60.0), st.floats(0.0, 300.0), st.booleans())
def test_a_state_holds_as_long_as_is_said(spacing_s: float, age_s: float, typed: bool) -> None:
    """Until then the same snapshot has the same state, and right after it another, or never."""
    flags = frozenset({TYPED}) if typed else frozenset()
    reading = kit.reading(2e-10, 100.0, flags=flags)
    shown, at_s = made(reading=reading, spacing_s=spacing_s), 100.0 + age_s
    state, until_s = bench_state(shown, at_s), unchanged_until_s(shown, at_s)

    assert until_s >= at_s
    if until_s < 1e9:
        assert bench_state(shown, max(until_s - 1e-6, at_s)) == state
        assert bench_state(shown, until_s + 0.01) == "silent" != state
    else:
        assert bench_state(shown, at_s + 1e6) == state


def test_every_trouble_outranks_all_work() -> None:
    """The order of the states is the one that people were promised."""
    assert WORST_FIRST == (
        "lost", "silent", "not there yet", "outside", "own time base",
        "moving", "warming", "unsent", "unsure", "ok",
    )  # fmt: skip
    assert WORST_FIRST[:5] == TROUBLES


NAMES = tuple(f"c{number}" for number in range(200))


def standings(
    states: Mapping[str, BenchState], shares: Mapping[str, float] | None = None
) -> dict[str, Standing]:
    """Return where counters stand, by their states and the shares of their tolerances."""
    return {name: bench_standing(one, (shares or {}).get(name)) for name, one in states.items()}


SOME_STATES = st.lists(st.sampled_from(WORST_FIRST), min_size=3, max_size=3)


@given(st.lists(st.sampled_from(WORST_FIRST), min_size=1, max_size=200))
def test_rows_are_sorted_worst_first_and_ties_as_on_the_bench(states: list[BenchState]) -> None:
    """Up to 200 counters: no other order than by state and then by place."""
    names = NAMES[: len(states)]
    order = BenchRanking().follow(standings(dict(zip(names, states, strict=True))), 0.0)
    places = [(WORST_FIRST.index(states[names.index(n)]), names.index(n)) for n in order]

    assert places == sorted(places)
    assert sorted(order) == sorted(names)


@given(st.lists(st.tuples(SOME_STATES, st.floats(0.05, 4.0)), min_size=1, max_size=60))
def test_a_row_stands_by_the_worst_state_of_its_last_seconds(
    steps: list[tuple[list[BenchState], float]],
) -> None:
    """Whatever the states do, the order is that of the worst within the time; no name is lost."""
    names, at_s, past = ("a", "b", "c"), 0.0, []
    ranking = BenchRanking()
    for states, lasts_s in steps:
        at_s += lasts_s
        past.append((at_s, states))
        order = ranking.follow(standings(dict(zip(names, states, strict=True))), at_s)
        recent = [shown for then_s, shown in past if then_s > at_s - FALLS_AFTER_S]
        worst = {n: min(WORST_FIRST.index(one[i]) for one in recent) for i, n in enumerate(names)}

        assert order == tuple(sorted(names, key=lambda name: worst[name]))


def test_a_counter_that_flickers_keeps_its_row() -> None:
    """Silent every other second: it rises once, and falls 10 s after the last time."""
    ranking, orders = BenchRanking(), []
    for tenth in range(400):
        at_s = tenth / 10.0
        flickers: BenchState = "silent" if at_s <= 20.0 and int(at_s) % 2 else "ok"
        orders.append((at_s, ranking.follow(standings({"a": "ok", "b": flickers}), at_s)))
    changes = [at_s for (_, was), (at_s, now) in pairwise(orders) if was != now]

    assert changes == [1.0, pytest.approx(19.9 + FALLS_AFTER_S)]


def test_rows_of_one_state_are_sorted_by_the_share_of_the_tolerance() -> None:
    """Nearest to its limit first, or farthest outside; unknown last; without numbers by place."""
    states: dict[str, BenchState] = dict.fromkeys("abcd", "ok") | dict.fromkeys("efg", "outside")  # type: ignore[assignment]
    states |= dict.fromkeys("hi", "lost")  # type: ignore[dict-item]
    shares = {"a": 0.12, "b": 0.87, "c": 0.45, "e": 1.3, "f": 870.0, "g": 2e9, "h": 0.1, "i": 0.9}

    assert "".join(BenchRanking().follow(standings(states, shares), 0.0)) == "higfebcad"


def test_a_row_rises_at_once_by_its_share_and_falls_after_a_while() -> None:
    """It takes more of its tolerance than another for 3 s; a little noise moves nothing."""
    ranking, changes, was = BenchRanking(), [], ("a", "b")
    for eighth in range(240):
        at_s = eighth / 8.0
        noise = 0.02 * (eighth % 2)
        shares = {"a": 0.58 - noise, "b": 0.62 if 5.0 <= at_s < 8.0 else 0.56 + noise}
        now = ranking.follow(standings({"a": "ok", "b": "ok"}, shares), at_s)
        if now != was:
            changes.append((at_s, now))
        was = now

    assert changes == [(5.0, ("b", "a")), (7.875 + FALLS_AFTER_S, ("a", "b"))]


@given(st.lists(st.tuples(st.lists(st.floats(0.0, 3.0), min_size=3, max_size=3),
                          st.floats(0.05, 4.0)), min_size=1, max_size=60))  # fmt: skip
def test_a_row_stands_by_the_largest_share_of_its_last_seconds(
    steps: list[tuple[list[float], float]],
) -> None:
    """Whatever the shares do, in steps."""
    names, at_s, past = ("a", "b", "c"), 0.0, []
    ranking = BenchRanking()
    for shares, lasts_s in steps:
        at_s += lasts_s
        past.append((at_s, shares))
        states: dict[str, BenchState] = dict.fromkeys(names, "ok")
        order = ranking.follow(standings(states, dict(zip(names, shares, strict=True))), at_s)
        recent = [shown for then_s, shown in past if then_s > at_s - FALLS_AFTER_S]
        most = {n: max(int(one[i] / SHARE_STEP) for one in recent) for i, n in enumerate(names)}

        assert order == tuple(sorted(names, key=lambda name: -most[name]))


def test_a_counter_that_comes_later_has_a_row() -> None:
    """It is put in by its state; what was seen of the others counts."""
    ranking = BenchRanking()
    ranking.follow(standings({"a": "ok", "b": "lost"}), 0.0)

    assert ranking.follow(standings({"a": "ok", "b": "ok", "c": "outside"}), 1.0) == (
        "b", "c", "a",
    )  # fmt: skip


def test_time_that_runs_backwards_forgets_what_was() -> None:
    """After a seek in a recording the rows are those of that time."""
    ranking = BenchRanking()
    ranking.follow(standings({"a": "ok", "b": "lost"}), 100.0)

    assert ranking.follow(standings({"a": "ok", "b": "ok"}), 99.0) == ("a", "b")


def test_troubles_are_counted_by_state_without_the_counter_that_is_shown() -> None:
    """Worst first; work that goes on is no trouble unless it is asked for."""
    states: dict[str, BenchState] = {
        "a": "outside", "b": "lost", "c": "outside", "d": "warming", "e": "ok", "f": "lost",
    }  # fmt: skip
    others, everyone = sum_of_troubles(states, without="f"), sum_of_troubles(states, of=WORST_FIRST)

    assert others == (BenchTrouble("lost", ("b",)), BenchTrouble("outside", ("a", "c")))
    assert [one.state for one in everyone] == ["lost", "outside", "warming", "ok"]
    assert sum(len(one.names) for one in everyone) == len(states)


def test_a_counter_whose_unit_is_dialled_elsewhere_is_unsure_and_not_silent() -> None:
    """Its main offset is not current, and nothing is wrong with the counter."""
    now = made(checks=checks_now("reading"), reading=kit.reading(0.0, kit.NOW_S - 60.0))

    assert bench_state(now, kit.NOW_S) == "unsure"
    assert not is_current(now, kit.NOW_S)
