"""Lines of a station as events: its own times and estimate, gaps counted, hostile lines refused."""

import json
import math
from collections.abc import Iterable
from contextlib import suppress
from decimal import Decimal
from itertools import pairwise
from typing import Any

import line_kit as kit
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwatch.estimate.live_estimate import LiveEstimate
from benchwatch.reading import SPIKE, Event, Gap, Mark, Reading, Touch
from benchwatch.relay.desk.line_events import Arrival, LineEvents
from benchwatch.relay.desk.stated_counter import read_here, read_state
from benchwatch.relay.desk.station_line import read_line
from benchwatch.relay.payload import PayloadRefused

AHEAD_S = 137.25
"""The desk's run began so long before the station's."""


def taken(lines: Iterable[tuple[dict[str, Any], float]], **settings: Any) -> list[Event]:
    """Return the events of lines, each with the time of its arrival, seconds of the desk's run."""
    events = LineEvents("tide-007/main", "tide-007", settings.pop("nominal", None))
    for name, value in settings.items():
        setattr(events, name, value)
    made: list[Event] = []
    for values, arrived_s in lines:
        line = read_line(kit.payload(values))
        if line is not None:
            made += events.take(
                line, Arrival(elapsed_s=arrived_s, utc_s=kit.UTC_S + arrived_s - AHEAD_S)
            )
    return made


def take(events: LineEvents, values: dict[str, Any], arrived_s: float) -> list[Event]:
    """Take one line; return its events."""
    line = read_line(kit.payload(values))
    assert line is not None
    return events.take(line, Arrival(elapsed_s=arrived_s, utc_s=kit.UTC_S))


def steady(
    numbers: Iterable[int], *, first: int = 0, **changes: Any
) -> list[tuple[dict[str, Any], float]]:
    """Return a line a second with these numbers, each arriving at once."""
    return [
        (
            kit.reading_values(
                number, number - first + 0.5, f"10000000.0{number % 10:03d}", **changes
            ),
            AHEAD_S + number - first + 1.0,
        )
        for number in numbers
    ]


def gaps(events: Iterable[Event]) -> list[Gap]:
    """Return the gaps among events."""
    return [event for event in events if isinstance(event, Gap)]


def test_a_line_becomes_the_reading_of_the_station() -> None:
    """Exact offset from the text, the station's time of day, and its last digit."""
    (reading,) = taken([(kit.reading_values(1, 0.5, "10000000.0231"), AHEAD_S + 1.0)])

    assert isinstance(reading, Reading)
    assert (reading.counter, reading.text) == ("tide-007/main", "10000000.0231")
    assert (reading.offset_hz, reading.offset) == (0.0231, 2.31e-9)
    assert reading.utc_s == pytest.approx(kit.UTC_S + 0.5)
    assert reading.resolution_hz == pytest.approx(1e-4)
    assert reading.elapsed_s == AHEAD_S + 0.5


def test_the_estimate_is_that_of_the_station_with_a_clock_hours_off() -> None:
    """Lines come late by up to 0.2 s, and the station's clock is three hours ahead."""
    rng = np.random.default_rng(7)
    at_station, at_desk = LiveEstimate(), LiveEstimate()
    lines = []
    for number in range(1, 200):
        elapsed_s, offset_hz = 1.0137 * number, 0.02 + 0.001 * rng.standard_normal()
        text = f"{10_000_000 + offset_hz:.4f}"
        values = kit.reading_values(
            number, elapsed_s, text, time=kit.time_text(kit.UTC_S + 10_800.0 + elapsed_s)
        )
        lines.append((values, AHEAD_S + elapsed_s + 0.5 + 0.2 * rng.random()))
        offset = float((Decimal(text) - 10_000_000) / 10_000_000)
        theirs = at_station.add(elapsed_s, offset, gate_s=1.0, resolution=1e-11)
    events = taken(lines)
    for event in events:
        if isinstance(event, Reading):
            ours = at_desk.add(event.elapsed_s, event.offset, gate_s=1.0, resolution=1e-11)

    assert ours.estimate is not None
    assert theirs.estimate is not None
    assert ours.estimate.readings == theirs.estimate.readings
    assert ours.estimate.offset == pytest.approx(theirs.estimate.offset, rel=1e-9)
    assert ours.estimate.u == pytest.approx(theirs.estimate.u, rel=1e-6)
    assert ours.drift is not None
    assert theirs.drift is not None
    assert ours.drift.per_s == pytest.approx(theirs.drift.per_s, rel=1e-6, abs=1e-20)
    (mark,) = [event for event in events if isinstance(event, Mark)]
    assert "2 h 59 min ahead of this computer's" in mark.text


def test_the_age_at_arrival_stays_right_while_the_clocks_drift_apart() -> None:
    """A station's seconds are 200 ppm short for a day: the newest reading is half a gate old."""
    lines = [
        (kit.reading_values(n, 5.0 * n, "10000000.000"), AHEAD_S + 5.0 * n * 1.0002 + 0.5)
        for n in range(1, 17_000)
    ]
    readings = [event for event in taken(lines) if isinstance(event, Reading)]
    ages = [arrived_s - one.elapsed_s for one, (_, arrived_s) in zip(readings, lines, strict=True)]

    assert 0.2 < min(ages) < max(ages) < 0.8
    steps = np.diff([one.elapsed_s for one in readings])
    assert 4.94 < steps.min() < steps.max() < 5.06


def test_a_first_line_that_came_late_is_made_up_for() -> None:
    """It waited for 20 s; the readings rise, and are half a gate old at arrival in the end."""
    late = steady(range(1, 2000))
    late[0] = (late[0][0], late[0][1] + 20.0)
    late = [(values, max(arrived_s, late[0][1])) for values, arrived_s in late]
    readings = [event for event in taken(late) if isinstance(event, Reading)]

    times = [one.elapsed_s for one in readings]
    assert all(later > earlier for earlier, later in pairwise(times))
    assert late[-1][1] - times[-1] == pytest.approx(0.5, abs=0.3)


@pytest.mark.parametrize("age_s", [0.0, 8.0, 3600.0])
def test_an_old_reading_that_greets_a_look_does_not_delay_the_next(age_s: float) -> None:
    """It waited at its station; from the second reading on each is half a gate old at arrival."""
    lines = steady(range(1, 60))
    old = kit.reading_values(1, 1.5 - age_s, "10000000.001") | {"number": None}
    lines[0] = (old, lines[0][1])
    readings = [event for event in taken(lines) if isinstance(event, Reading)]
    arrivals = [arrived_s for _, arrived_s in lines]

    assert [one.elapsed_s for one in readings] == pytest.approx([s - 0.5 for s in arrivals])


def test_a_line_that_is_late_after_a_greeting_moves_no_other() -> None:
    """The greeting was new, and the second line waited for 5 s on its way."""
    lines = steady(range(1, 60))
    lines[0] = (lines[0][0] | {"number": None}, lines[0][1])
    lines[1:6] = [(values, lines[6][1]) for values, _ in lines[1:6]]
    times = [event.elapsed_s for event in taken(lines) if isinstance(event, Reading)]

    assert times == pytest.approx([AHEAD_S + n + 0.5 for n in range(1, 60)])


def test_a_gap_after_a_greeting_ends_where_readings_go_on() -> None:
    """40 s passed at the station, of which this desk saw 2 s."""
    lines = steady(range(50, 60), first=1)
    greeting = kit.reading_values(1, 8.5, "10000000.001") | {"number": None}
    events = taken([(greeting, lines[0][1] - 2.0), *lines], interval_s=1.0)
    (gap,) = gaps(events)
    first, second, *_ = [event for event in events if isinstance(event, Reading)]

    assert gap.reason.startswith("about 40 lines did not get here")
    assert (gap.elapsed_s, gap.elapsed_s + gap.lasted_s) == (first.elapsed_s, second.elapsed_s)


@pytest.mark.parametrize(
    ("unsent", "kept"),
    [
        (0, "the central record has them"),
        (31, "tide-007 still sends them to the central record"),
        (None, "the journal of tide-007 has them"),
    ],
)
def test_missing_lines_are_a_gap_that_counts_them(unsent: int | None, kept: str) -> None:
    """30 lines are missing; who has them is what the station says."""
    lines = steady([*range(1, 11), *range(41, 45)], unsent=unsent)
    (gap,) = gaps(taken(lines))

    assert gap.reason == f"about 30 lines did not get here; {kept}"
    assert gap.lasted_s == pytest.approx(31.0)
    assert gap.elapsed_s == pytest.approx(AHEAD_S + 10.5)


def test_numbers_of_other_counters_are_not_counted_as_missing_lines() -> None:
    """Three counters share the numbers of a program: a hole in them alone is no gap."""
    lines = [
        (kit.reading_values(3 * n, n + 0.5, "10000000.000"), AHEAD_S + n + 1.0)
        for n in [*range(1, 20), *range(24, 30)]
    ]
    (gap,) = gaps(taken(lines))

    assert "about 4 lines" in gap.reason


def test_a_pause_in_which_nothing_was_journalled_is_no_gap() -> None:
    """The next number follows, so no line is missing."""
    lines = steady(range(1, 11))
    lines.append((kit.reading_values(11, 40.0, "10000000.000"), AHEAD_S + 40.5))

    assert gaps(taken(lines)) == []


def test_a_longer_gate_is_no_gap() -> None:
    """From one second to ten, while another counter of the program takes numbers."""
    lines = steady(range(1, 11))
    lines += [
        (
            kit.reading_values(10 + 20 * n, 5.0 + 10.0 * n, "10000000.000", gate_s=10.0),
            AHEAD_S + 10.0 + 10.0 * n,
        )
        for n in range(1, 5)
    ]
    events = taken(lines)

    assert gaps(events) == []
    assert len(events) == 14


def test_a_gap_of_the_station_is_told_once() -> None:
    """It comes as the station wrote it, and no lines are counted as missing."""
    lines = steady(range(1, 11))
    gap_line = kit.event_values("gap", 11, 10.5, lasted_s=20.0, reason="no reply within 2.5 s")
    lines.append((gap_line, AHEAD_S + 30.6))
    lines.append((kit.reading_values(12, 30.5, "10000000.000"), AHEAD_S + 31.0))
    (gap,) = gaps(taken(lines))

    assert (gap.reason, gap.lasted_s) == ("no reply within 2.5 s", 20.0)
    assert gap.elapsed_s == pytest.approx(AHEAD_S + 10.5)


def test_lines_that_come_again_are_left_out() -> None:
    """Doubled and swapped lines give each reading once, in order."""
    lines = steady([1, 2, 2, 3, 2, 1, 4])

    assert [event.text[-1] for event in taken(lines) if isinstance(event, Reading)] == list("1234")


def test_the_newest_reading_that_greets_a_look_comes_once() -> None:
    """It has no number; the one that came already is left out, a later one is taken."""
    lines = steady([1, 2])
    again = [(values | {"number": None}, arrived_s + 1.5) for values, arrived_s in lines[1:]]
    later = [(values | {"number": None}, arrived_s) for values, arrived_s in steady([4])]
    events = taken([*lines, *again, *later])

    assert [event.text[-1] for event in events if isinstance(event, Reading)] == list("124")


def test_another_run_is_a_gap_and_a_mark() -> None:
    """The station was started anew: its seconds begin at 0 again."""
    later = [
        (values | {"run": kit.RUN + 1}, arrived_s + 60.0) for values, arrived_s in steady([1, 2])
    ]
    events = taken([*steady(range(1, 11)), *later])
    (gap,) = gaps(events)
    (mark,) = [event for event in events if isinstance(event, Mark)]

    assert gap.reason == mark.text == "another run began at tide-007"
    times = [event.elapsed_s for event in events if isinstance(event, Reading)]
    assert times[-2:] == [AHEAD_S + 60.5 + 1.0, AHEAD_S + 61.5 + 1.0]


def test_of_two_runs_at_one_time_the_newer_is_shown() -> None:
    """Lines of an older run between those of a newer one make no gaps."""
    newer = [(values | {"run": kit.RUN + 1}, s) for values, s in steady(range(1, 20))]
    older = steady(range(1, 20))
    lines = [line for pair in zip(newer, older, strict=True) for line in pair]

    assert gaps(taken(lines)) == []


def test_marks_and_touches_come_through() -> None:
    """A touch of the tool is a touch; a kind of a newer program is left out."""
    lines = [
        *steady([1]),
        (kit.event_values("mark", 2, 0.7, text="lid on\x1b[2J"), AHEAD_S + 1.2),
        (kit.event_values("mark", 3, 0.8, text="tool on"), AHEAD_S + 1.3),
        (kit.event_values("comparison", 4, 0.9, counters=["a"]), AHEAD_S + 1.4),
    ]
    events = taken(lines)[1:]

    assert [type(event) for event in events] == [Mark, Touch]
    assert events[0].text == "lid on?[2J"  # type: ignore[union-attr]


def test_spikes_are_judged_anew() -> None:
    """The station's flag is left out, others stay."""
    (reading,) = taken(
        [(kit.reading_values(1, 0.5, "10000000.1", flags=["spike", "repeat"]), AHEAD_S + 1.0)]
    )

    assert isinstance(reading, Reading)
    assert SPIKE not in reading.flags
    assert reading.flags == {"repeat"}


BAD = [
    {"run": -1}, {"run": 2**63}, {"run": True}, {"number": 1.5}, {"number": 0},
    {"elapsed_s": None}, {"elapsed_s": 1e300}, {"elapsed_s": "1"}, {"time": "yesterday"},
    {"time": "2031-13-40T00:00:00Z"}, {"time": 5}, {"text": None}, {"text": ""}, {"text": "1e7"},
    {"text": "10000000.1; rm"}, {"text": "9" * 70}, {"text": "0"}, {"text": "5000000.000"},
    {"text": "１００００００0"}, {"gate_s": "long"}, {"gate_s": [1]}, {"flags": "spike"},
    {"flags": ["x"] * 1000}, {"correction": 0.5}, {"dial_hz": -1.0}, {"dial_hz": 5e6},
    {"unsent": -1}, {"unsent": "all"}, {"resolution_hz": -1.0}, {"kind": None}, {"kind": ["gap"]},
]  # fmt: skip


@pytest.mark.parametrize("change", BAD, ids=repr)
def test_a_line_that_lies_is_refused_with_a_sentence(change: dict[str, Any]) -> None:
    """Lengths, types, ranges and frequencies; the reading after it is taken."""
    events = LineEvents("tide-007/main", "tide-007", None)
    for values, arrived_s in steady(range(1, 4)):
        take(events, values, arrived_s)

    with pytest.raises(PayloadRefused, match=r"\w+.*[^.]$"):
        take(events, kit.reading_values(4, 3.5, "10000000.0") | change, AHEAD_S + 4.0)
    assert take(events, kit.reading_values(5, 4.5, "10000000.0"), AHEAD_S + 5.0)


ENDLESS = kit.payload(kit.event_values("mark", 1, 1.0, text="")).replace(b"}", b',"x":1e999}')
"""A sound line with one number more, which is infinite."""


@pytest.mark.parametrize(
    "text",
    [
        b"", b"\xff\xfe", b"[]", b"null", b"{", b'{"kind":NaN}', ENDLESS,
        b"[" * 9000,        b'{"a":' + b"1" * 5000 + b"}", b'{"kind":"reading"}' + b" " * 70_000,
    ],
    ids=lambda text: repr(text[:20]),
)  # fmt: skip
def test_what_is_no_line_is_refused(text: bytes) -> None:
    """Garbage, NaN, infinity, deep nesting, endless numbers and too much of it."""
    with pytest.raises(PayloadRefused):
        read_line(text)


@given(st.binary(max_size=300))
def test_no_bytes_break_the_readers(text: bytes) -> None:
    """Whatever comes is read or refused."""
    for read in (read_line, read_state, read_here):
        with suppress(PayloadRefused):
            read(text)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=9),
    lambda one: st.lists(one, max_size=3) | st.dictionaries(st.text(max_size=5), one, max_size=3),
    max_leaves=8,
)  # fmt: skip


@given(
    st.sampled_from(["reading", "gap", "mark"]),
    st.dictionaries(
        st.sampled_from([*kit.reading_values(1, 1.0, "10000000.0"), "record", "lasted_s"]),
        JSON,
        max_size=4,
    ),
)  # fmt: skip
def test_no_values_break_the_reader_of_lines(kind: str, changes: dict[str, Any]) -> None:
    """Any JSON in place of any value gives an event or a refusal."""
    values = kit.reading_values(7, 1.0, "10000000.0", kind=kind) | changes
    events = LineEvents("a/b", "a", None)
    with suppress(PayloadRefused):
        line = read_line(json.dumps(values).encode())
        if line is not None:
            events.take(line, Arrival(elapsed_s=5.0, utc_s=kit.UTC_S))


def test_a_state_is_read() -> None:
    """Identity, time base, gate, nominal, limits and link."""
    state = read_state(kit.payload(kit.state_values(unit="0417")))

    assert state is not None
    assert state.identity is not None
    assert (state.identity.text, state.unit) == ("made counter", "0417")
    assert state.nominal == Decimal(10_000_000)
    assert state.tolerance == 5e-9
    assert state.settle is not None
    assert math.isclose(state.settle.horizon_s, 600.0)
    assert read_state(b"") is None


def test_a_state_has_what_is_on_record() -> None:
    """Offsets and checks are those that the station has written, to the last digit."""
    found, left = kit.record_values(), kit.record_values(kind="as left", noise={"estimate": 1e-10})
    check = kit.check_values()
    state = read_state(
        kit.payload(kit.state_values(as_found=found, as_found_automatic=True, as_left=left,
                                     checks=[check]))
    )  # fmt: skip

    assert state is not None
    assert state.as_found is not None
    assert state.as_left is not None
    assert state.as_found_automatic
    assert state.as_found.as_dict() == found
    assert state.as_left.as_dict() == left
    assert [one.as_dict() for one in state.checks] == [check]


@pytest.mark.parametrize(
    "change",
    [
        {"v": 2}, {"time_base": "mine"}, {"nominal_hz": "ten"}, {"nominal_hz": -1},
        {"tolerance": 7},
        {"settle": {"limit": 1}}, {"settle": 5}, {"link": {"state": "fine"}}, {"identity": 5},
        {"link": {"state": ["lost"]}}, {"gate_s": True}, {"interval_s": -1},
        {"as_found": "yes"}, {"as_found": {"kind": "as found"}}, {"checks": {}}, {"checks": [5]},
        {"as_left": kit.record_values()}, {"as_found": kit.record_values(utc_s=1e300)},
        {"as_found": kit.record_values(budget={"lines": [], "missing": 5})},
        {"as_found": kit.record_values(noise={"u": 5.0})},
        {"as_found": kit.record_values(noise={"u": "much"})},
        {"as_found": kit.record_values(noise={"dof": -1})},
        {"as_found": kit.record_values(noise={"estimate": 1e300})},
        {"as_found": kit.record_values(nominal_hz=-1.0)},
        {"as_found": kit.record_values(span_s=None)},
        {"checks": [kit.check_values(verdict="fine")]}, {"checks": [kit.check_values()] * 101},
        {"checks": [kit.check_values(setting_hz=-5.0)]}, {"checks": [kit.check_values(read=2.0)]},
        {"checks": [kit.check_values(utc_s=1e300)]}, {"checks": [kit.check_values(dof="many")]},
    ],
    ids=repr,
)  # fmt: skip
def test_a_state_that_lies_is_refused(change: dict[str, Any]) -> None:
    """With a sentence."""
    with pytest.raises(PayloadRefused, match=r"\w+.*[^.]$"):
        read_state(kit.payload(kit.state_values(**change)))
