"""Acquisition: connecting, stamps, gaps, reconnects, and the end of a run.

Most tests run the thread's body in the test's own thread, on scripted links and a clock that jumps
to the end of every wait: hours of gates without sleeping.
"""

import itertools
import math
import random
import threading
import time
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from acquisition_kit import COUNTER, TEN_MHZ, EventRecorder
from link_kit import open_link
from load_kit import LONGEST_WAIT_S, Stalls
from socket_kit import TinyServer, answering, kept_port, serving

from benchwatch.acquire import Acquisition
from benchwatch.clock import SystemClock
from benchwatch.counter import Setup
from benchwatch.errors import (
    ConnectionFailed,
    DriverError,
    NoReadings,
    NotACounter,
    UsageError,
)
from benchwatch.reading import INTERNAL_TIMEBASE, OVERRANGE, REPEAT, UNFIT
from benchwatch_simulators.bench.simulated_bench import open_bench
from benchwatch_simulators.bench_time import LeapClock
from benchwatch_simulators.fake_bus import (
    CLOSED,
    GARBAGE,
    HUGE,
    MUTE,
    Answer,
    FakeBus,
    Reply,
    Script,
)

ABSENT = ConnectionFailed("can't open it: nothing listens on that port.")
UTC_S = 1_900_000_000.0


def gated(text: str = "+1.00000000231E+07", gate_s: float = 1.0) -> Reply:
    """Return the scripted reply to a reading, which takes a gate."""
    return Reply(text, after_s=gate_s)


def script(*readings: Any, **changes: Any) -> Script:
    """Return a counter with a gate of one second that sends `readings`, the last one for ever."""
    made: dict[str, Any] = {**COUNTER, "READ?": list(readings) or gated()}
    made.update({key.replace("_", ":") + "?": value for key, value in changes.items()})
    return made


def acquire(bus: FakeBus, enough: int = 3, **options: Any) -> tuple[Acquisition, EventRecorder]:
    """Run an acquisition on a scripted bus to its end."""
    notebook = EventRecorder(enough)
    options = {"nominal": TEN_MHZ, "setup": Setup(), "driver": "scpi"} | options
    acquisition = Acquisition(
        name="main",
        resource="TCPIP0::127.0.0.1::5025::SOCKET",
        on_event=notebook.take,
        on_status=notebook.on_status,
        clock=bus.clock,
        origin_s=bus.clock.monotonic(),
        open_link=bus.open_link,
        **options,
    )
    notebook.stop = acquisition.stop
    acquisition.run()
    return acquisition, notebook


def test_readings_are_exact_and_stamped_at_mid_gate() -> None:
    """A gate of 1 s that ends at 1 s is stamped 0.5 s, on both clocks."""
    bus = FakeBus(script())

    _, notebook = acquire(bus)

    first, second, third = notebook.readings
    assert first.elapsed_s == pytest.approx(0.5)
    assert first.utc_s == pytest.approx(UTC_S + 0.5)
    assert third.elapsed_s - second.elapsed_s == pytest.approx(1.0)
    assert first.text == "10000000.0231"
    assert first.offset_hz == 0.0231
    assert first.offset == 2.31e-9
    assert first.resolution_hz == pytest.approx(1e-4)
    assert first.gate_s == 1.0
    assert first.flags == frozenset()


def test_a_healthy_run_goes_through_three_states() -> None:
    """Identity and time base are published before the first reading."""
    _, notebook = acquire(FakeBus(script()))

    assert notebook.states == ["connecting", "reading", "ended"]
    attached = next(c for c in notebook.connections if c.identity is not None)
    assert attached.link.state == "connecting"
    assert attached.identity is not None
    assert attached.identity.model == "Counter A"
    assert attached.time_base.source == "external"
    assert attached.gate_s == 1.0


def test_only_queries_are_sent_unless_a_setting_is_requested() -> None:
    """During a whole run with a lost link."""
    bus = FakeBus(script(gated(), gated(), MUTE, CLOSED), script())

    acquire(bus, enough=5)

    sent = [command for link in bus.links for command in link.sent]
    assert [command for command in sent if not command.endswith("?")] == []
    assert all(link.closed for link in bus.links)


def test_a_requested_gate_is_set_again_after_a_reconnect() -> None:
    """A counter that lost power has lost its gate."""
    bus = FakeBus(script(gated(), CLOSED), script())

    acquire(bus, enough=3, setup=Setup(gate_s=1.0))

    for link in bus.links:
        assert [c for c in link.sent if not c.endswith("?")][0] == "FREQ:APER 1"  # noqa: RUF015


def gate_changed_by_hand(bus: Callable[[], FakeBus], stays: bool) -> Callable[[], str]:
    """Answer for a gate that is 1 s right after it was set, and 0.5 s later."""
    asked: dict[int, int] = {}

    def gate() -> str:
        times = bus().links[0].sent.count("FREQ:APER 1")
        asked[times] = asked.get(times, 0) + 1
        return "1.0" if asked[times] <= 2 and (times == 1 or stays) else "0.5"

    return gate


@pytest.mark.parametrize(
    ("stays", "sets", "said", "end"),
    [(True, 4, 4, "It is left so"), (False, 2, 1, "does not go there")],
)
def test_a_gate_that_does_not_stay_is_left_after_a_few_times(
    stays: bool, sets: int, said: int, end: str
) -> None:
    """Somebody may be setting it at the front panel."""
    bus = FakeBus(script(FREQ_APER=gate_changed_by_hand(lambda: bus, stays)))
    _, notebook = acquire(bus, enough=100, setup=Setup(gate_s=1.0))

    assert bus.links[0].sent.count("FREQ:APER 1") == sets
    assert end in notebook.marks[-1].text
    assert len(notebook.marks) == said
    assert notebook.readings[-1].gate_s == 0.5
    assert notebook.connections[-1].gate_s == 0.5


def test_the_internal_time_base_marks_every_reading() -> None:
    """With a flag."""
    _, notebook = acquire(FakeBus(script(ROSC_SOUR="INT")))

    assert all(INTERNAL_TIMEBASE in reading.flags for reading in notebook.readings)


def test_a_reference_that_drops_out_is_seen_within_ten_seconds() -> None:
    """The time base is polled between readings."""
    bus = FakeBus(script())
    replies = {"ROSC:SOUR?": lambda: "EXT" if bus.clock.monotonic() < 20.0 else "INT"}
    bus = FakeBus({**script(), **replies}, clock=bus.clock)

    _, notebook = acquire(bus, enough=40)

    marked = [r.elapsed_s for r in notebook.readings if INTERNAL_TIMEBASE in r.flags]
    assert 20.0 <= marked[0] + 0.5 <= 30.0
    assert notebook.connections[-1].time_base.source == "internal"


@pytest.mark.parametrize(
    ("gate_s", "tells_gate"),
    [*((s, True) for s in (0.5, 1.9, 2.0, 5.0, 10.0, 100.0)), (0.5, False), (5.0, False)],
)
def test_at_a_long_gate_a_lost_reference_is_seen_after_that_gate(
    gate_s: float, tells_gate: bool
) -> None:
    """A gate is never interrupted, but settings are polled between two long ones."""
    clock, dropped_s = FakeBus(script()).clock, 10 * gate_s + 23.4
    bus = FakeBus(
        {
            **script(gated(gate_s=gate_s)),
            "FREQ:APER?": f"{gate_s}" if tells_gate else MUTE,
            "ROSC:SOUR?": lambda: "EXT" if clock.monotonic() < dropped_s else "INT",
        },
        clock=clock,
    )

    _, notebook = acquire(bus, enough=100)

    first = next(r for r in notebook.readings if INTERNAL_TIMEBASE in r.flags)
    began_s = first.elapsed_s - (gate_s / 2 if tells_gate else gate_s)
    assert first.elapsed_s > dropped_s
    assert began_s - dropped_s <= (10.0 if gate_s < 2 else gate_s)


def test_a_slow_counter_is_still_polled_for_its_time_base() -> None:
    """It takes 0.4 s for each answer: the gate is polled once a minute, the time base as usual."""
    bus = FakeBus(script())
    times = {
        "ROSC:SOUR?": lambda: Reply("EXT" if bus.clock.monotonic() < 50.0 else "INT", after_s=0.4),
        "FREQ:APER?": Reply("1.0", after_s=0.4),
        "*IDN?": Reply(COUNTER["*IDN?"], after_s=0.4),
    }
    bus = FakeBus({**script(), **times}, clock=bus.clock)

    _, notebook = acquire(bus, enough=80)

    marked = [r.elapsed_s for r in notebook.readings if INTERNAL_TIMEBASE in r.flags]
    assert 50.0 <= marked[0] + 0.5 <= 60.0
    assert bus.links[0].sent.count("FREQ:APER?") == 2


def test_a_gate_changed_at_the_front_panel_is_noticed() -> None:
    """Stamps and timeouts follow it."""
    bus = FakeBus(script(FREQ_APER=["1.0", "0.5"]))

    _, notebook = acquire(bus, enough=20)

    assert notebook.readings[0].gate_s == 1.0
    assert notebook.readings[-1].gate_s == 0.5
    assert notebook.connections[-1].gate_s == 0.5


def test_the_nominal_is_the_round_number_near_the_first_reading() -> None:
    """If none was given; it is published at once."""
    _, notebook = acquire(FakeBus(script(gated("+5.0000123E+06"))), nominal=None)

    assert notebook.connections[-1].nominal == Decimal(5_000_000)
    assert notebook.readings[0].offset_hz == 12.3


def test_a_reading_near_no_round_number_asks_for_the_nominal() -> None:
    """The nominal is not guessed then."""
    acquisition, notebook = acquire(FakeBus(script(gated("+7.3912E+06"))), nominal=None)

    assert isinstance(acquisition.error, UsageError)
    assert "--nominal" in str(acquisition.error)
    assert notebook.readings == []


@pytest.mark.parametrize("patient", [False, True])
def test_a_nominal_that_no_reading_is_near_ends_the_run(patient: bool) -> None:
    """Both numbers are quoted, after a few readings."""
    bus = FakeBus(script(gated("+5.0000001E+06")))

    acquisition, notebook = acquire(bus, persistent=patient)

    assert isinstance(acquisition.error, NoReadings)
    assert "5.0000001 MHz" in str(acquisition.error)
    assert "10 MHz" in str(acquisition.error)
    assert notebook.readings == []
    assert bus.links[0].sent.count("READ?") == 5


@pytest.mark.parametrize(
    "text",
    ["+1.00000000231E+0", "+1.00000000231E+06", "+0.00000231E+07", "10000", "-1.0E+07", "10010001"],
)
def test_a_cut_reading_is_never_a_reading(text: str) -> None:
    """A number that parses, but lies far from the nominal, is a gap."""
    _, notebook = acquire(FakeBus(script(gated(), gated(text), gated())), enough=3)

    assert [reading.offset_hz for reading in notebook.readings] == [0.0231] * 3
    assert len(notebook.gaps) == 1
    assert "nowhere near" in notebook.gaps[0].reason


FAULTS: dict[str, tuple[list[Any], float]] = {
    "late": ([Reply("+1.00000009999E+07", after_s=4.0)], 5.0),
    "mute": ([MUTE], 5.0),
    "cut": ([Reply("+1.0000000", cut=True)], 9.0),
    "closed": ([CLOSED], 3.0),
    "garbage": ([GARBAGE], 3.0),
    "huge": ([HUGE], 3.0),
    "NaN": (["9.91E37"], 3.0),
    "empty": ([""], 3.0),
    "escape": (["\x1b]0;title\x07"], 3.0),
    "wrong": ([gated("+1.23E+02")], 4.0),
    "silent for long": ([MUTE, MUTE, MUTE], 16.0),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_costs_a_gap_and_invents_nothing(fault: str) -> None:
    """Three good readings, the fault, then good ones again, within a time limit."""
    faulty, longest_s = FAULTS[fault]
    first = script(gated(), gated(), gated(), *faulty, gated())
    bus = FakeBus(first, script())

    acquisition, notebook = acquire(bus, enough=6)

    assert acquisition.error is None
    assert [reading.offset_hz for reading in notebook.readings] == [0.0231] * 6
    assert len(notebook.gaps) == 1
    gap, before, after = notebook.gaps[0], notebook.readings[2], notebook.readings[3]
    assert (gap.elapsed_s, gap.utc_s) == (before.elapsed_s, before.utc_s)
    assert gap.lasted_s == pytest.approx(after.elapsed_s - before.elapsed_s)
    assert gap.lasted_s <= longest_s + 1e-6  # on a driven clock; stamps are rounded
    assert gap.reason.isprintable()
    assert not gap.reason.endswith(".")
    assert notebook.events.index(gap) == 3


def test_the_same_reply_twice_is_used_once() -> None:
    """The copy is dropped before the next query."""
    _, notebook = acquire(FakeBus(script(Reply("+1.0E+07", after_s=1.0, times=2), gated())))

    assert [r.offset_hz for r in notebook.readings] == [0.0, 0.0231, 0.0231]
    assert notebook.gaps == []


@pytest.mark.parametrize("late_s", [1.3, 1.6, 2.4])
def test_a_reading_that_comes_too_late_behind_a_copy_is_a_gap(late_s: float) -> None:
    """The copy is flagged as a repeat, and the late reading is reported as a gap."""
    first = Reply("+1.0E+07", after_s=1.0, times=2, apart_s=0.02)
    late = Reply("+1.00000005E+07", after_s=late_s)

    _, notebook = acquire(FakeBus(script(first, late, gated())), enough=4)

    assert [reading.offset_hz for reading in notebook.readings] == [0.0, 0.0, 0.0231, 0.0231]
    assert [REPEAT in reading.flags for reading in notebook.readings] == [False, True, False, False]
    assert ["too late" in gap.reason for gap in notebook.gaps] == [True]


def test_overrange_is_a_reading_without_a_value() -> None:
    """It is published and never enters an estimate."""
    _, notebook = acquire(FakeBus(script(gated(), gated("9.9E37"), gated())))

    overrange = notebook.readings[1]
    assert OVERRANGE in overrange.flags
    assert math.isnan(overrange.offset_hz)
    assert overrange.flags & UNFIT


def test_a_repeat_is_marked() -> None:
    """The same text within a gate is no new measurement."""
    _, notebook = acquire(FakeBus(script(gated(), "+1.00000000231E+07", gated())))

    assert [REPEAT in reading.flags for reading in notebook.readings] == [False, True, False]


def test_an_absent_counter_ends_a_run_that_is_not_persistent() -> None:
    """Exit code 3."""
    bus = FakeBus(ABSENT)

    acquisition, notebook = acquire(bus)

    assert acquisition.error is ABSENT
    assert bus.opened == 1
    assert notebook.states == ["connecting", "ended"]


def test_an_absent_counter_is_waited_for_in_a_persistent_run() -> None:
    """The status tells when the next try is, and why it is not there, after many tries too."""
    bus = FakeBus(*[ABSENT] * 7, script())

    acquisition, notebook = acquire(bus, persistent=True)

    assert acquisition.error is None
    assert len(notebook.readings) == 3
    assert notebook.gaps == []
    waiting = [c.link for c in notebook.connections if "Next try in 1 s" in c.link.detail]
    assert waiting
    assert all("Next try in 1 s" in one.detail_at((one.next_try_s or 0.0) - 0.5) for one in waiting)
    assert [c.absent for c in notebook.connections if c.absent] == [ABSENT] * 7
    assert notebook.connections[-1].absent is None


@pytest.mark.parametrize("patient", [False, True])
def test_another_instrument_ends_any_run(patient: bool) -> None:
    """Waiting would not help."""
    acquisition, _ = acquire(FakeBus({"*IDN?": GARBAGE}), persistent=patient)

    assert isinstance(acquisition.error, NotACounter)


def test_a_counter_without_a_signal_ends_a_run_that_is_not_persistent() -> None:
    """No reading in five tries: exit code 4, with the counter's reason."""
    acquisition, notebook = acquire(FakeBus(script("9.91E37")))

    assert isinstance(acquisition.error, NoReadings)
    assert "no valid result" in str(acquisition.error)
    assert "silent" in notebook.states


def test_a_signal_that_is_connected_later_is_waited_for_in_a_persistent_run() -> None:
    """The state is silent until then."""
    bus = FakeBus(script(*["9.91E37"] * 20, gated()))

    acquisition, notebook = acquire(bus, persistent=True)

    assert acquisition.error is None
    assert notebook.states == ["connecting", "silent", "reading", "ended"]
    absent = [c.absent is not None for c in notebook.connections if c.link.state == "silent"]
    assert absent[:5] == [False] * 4 + [True]
    assert notebook.connections[-1].absent is None


def test_three_missed_readings_in_a_row_open_the_link_again() -> None:
    """The counter answers the identity only, so the connection may be at fault."""
    bus = FakeBus(script(gated(), MUTE), script())

    _, notebook = acquire(bus, enough=2)

    assert bus.links[0].sent.count("READ?") == 4
    assert notebook.states == ["connecting", "reading", "silent", "lost", "reading", "ended"]


def test_another_counter_after_a_reconnect_is_a_mark_on_the_time_line() -> None:
    """A mark shows from which reading on another counter is read."""
    other = {"*IDN?": "MADE UP,ANOTHER COUNTER,7,2.0"}
    bus = FakeBus(script(gated(), CLOSED), {**script(), **other})

    _, notebook = acquire(bus, enough=2)

    (mark,) = notebook.marks
    assert "ANOTHER COUNTER" in mark.text
    assert notebook.readings[0].elapsed_s < mark.elapsed_s < notebook.readings[1].elapsed_s


def test_the_same_counter_after_a_reconnect_is_no_mark() -> None:
    """A lost connection is a gap only."""
    bus = FakeBus(script(gated(), CLOSED), script())

    _, notebook = acquire(bus, enough=2)

    assert (len(notebook.gaps), notebook.marks) == (1, [])


def test_an_hour_with_a_fault_every_half_minute_invents_nothing_and_loses_little() -> None:
    """Each reading came from the counter, in order, once; each fault is a gap."""
    rng = random.Random(20310504)
    given: list[str] = []
    faults = 0

    def read() -> Reply:
        nonlocal faults
        if rng.random() < 1 / 30:
            faults += 1
            return rng.choice(
                [MUTE, CLOSED, GARBAGE, HUGE, Reply("9.91E37"), Reply("+1.0E+0"),
                 Reply("+1.0000000", cut=True), Reply("+1.00099E+07", after_s=5.0),
                 Reply("+1.00099E+07", after_s=2.6)]
            )  # fmt: skip
        text = f"10000000.{len(given) + 1:06d}"
        given.append(text)
        return Reply(text, after_s=1.0, times=rng.choice([1, 1, 1, 2]))

    bus = FakeBus({**COUNTER, "READ?": read})
    _, notebook = acquire(bus, enough=3600)

    texts = [reading.text for reading in notebook.readings]
    assert faults > 60
    assert texts == sorted(set(texts))
    assert set(texts) <= set(given)
    assert len(given) - len(texts) <= 0.02 * len(given)
    assert 0.5 * faults <= len(notebook.gaps) <= faults
    stamps = [reading.elapsed_s for reading in notebook.readings]
    assert min(b - a for a, b in itertools.pairwise(stamps)) >= 0.99


def test_a_lost_link_is_tried_again_for_ever_with_longer_waits() -> None:
    """After 1 s at first, after at most 30 s; the gap lasts from reading to reading."""
    bus = FakeBus(script(gated(), CLOSED), *[ABSENT] * 15, script())

    acquisition, notebook = acquire(bus, enough=2)

    assert acquisition.error is None
    assert notebook.states == ["connecting", "reading", "lost", "reading", "ended"]
    assert bus.opened == 17
    waits = [
        float(c.link.detail.rsplit("Next try in ", 1)[1].removesuffix(" s."))
        for c in notebook.connections
        if "Next try" in c.link.detail
    ]
    assert waits == sorted(waits)
    assert (waits[0], waits[-1]) == (1.0, 30.0)
    assert notebook.gaps[0].reason == "the counter closed the connection"
    assert notebook.gaps[0].lasted_s == pytest.approx(sum(waits) + 1.0, abs=0.1)


def test_a_gap_that_is_open_at_the_end_is_published() -> None:
    """So that the journal shows how long the counter was read."""
    bus = FakeBus(script(gated(), CLOSED), ABSENT)
    stop_at_s = 20.0

    def stop_late(connection: Any) -> None:
        if bus.clock.monotonic() > stop_at_s:
            acquisition.stop()

    notebook = EventRecorder(10)
    acquisition = Acquisition(
        name="main", resource="R", driver="scpi", setup=Setup(), nominal=TEN_MHZ,
        on_event=notebook.take, on_status=stop_late, clock=bus.clock, origin_s=0.0,
        open_link=bus.open_link,
    )  # fmt: skip
    acquisition.run()

    assert len(notebook.gaps) == 1
    assert notebook.gaps[0].lasted_s > 15.0


def running_and_mute(bus: FakeBus, mute_s: tuple[float, float], gate_s: float = 0.25) -> Script:
    """Return a free-running counter that sends nothing for a while.

    The value of each result shows its number, and so when it was measured.
    """

    def unless_mute(answer: str) -> Callable[[], Answer]:
        return lambda: MUTE if mute_s[0] <= bus.clock.monotonic() < mute_s[1] else answer

    def newest() -> Answer:
        now_s = bus.clock.monotonic()
        return MUTE if mute_s[0] <= now_s < mute_s[1] else f"{10_000_000 + int(now_s / gate_s)}"

    usual = {**COUNTER, "FREQ:APER?": f"{gate_s}", "INIT:CONT?": "1"}
    return {**{query: unless_mute(text) for query, text in usual.items()}, "FETC?": newest}


@pytest.mark.parametrize("lasts_s", [0.6, 1.5, 20.0])
@pytest.mark.parametrize("gate_s", [0.25, 1.0, 5.0])
def test_silence_of_a_running_counter_is_shown_within_gate_and_margin(
    gate_s: float, lasts_s: float
) -> None:
    """For any silence: the state in time, a gap for the missed readings, no invented ones."""
    bus = FakeBus()
    mute_s = (6 * gate_s + 0.01, 6 * gate_s + 0.01 + lasts_s)
    bus = FakeBus(running_and_mute(bus, mute_s, gate_s), clock=bus.clock)

    _, notebook = acquire(bus, enough=int(6 + lasts_s / gate_s + 12))

    told_s = [c.link.since_s for c in notebook.connections if c.link.state == "silent"]
    arrived_s = [reading.elapsed_s + gate_s / 2 for reading in notebook.readings]
    numbers = [int(reading.frequency_hz) - 10_000_000 for reading in notebook.readings]
    last_s = max(at_s for at_s in arrived_s if at_s < mute_s[0])
    missing = [a for a, b in itertools.pairwise(numbers) if b != a + 1]
    assert all(0 <= at_s - gate_s * n < gate_s for at_s, n in zip(arrived_s, numbers, strict=True))
    assert len(notebook.gaps) == len(told_s[:1])
    assert len(missing) <= len(notebook.gaps)
    assert bool(told_s) or lasts_s < 1.0
    assert all(at_s - last_s <= gate_s + 1.5 + 0.1 for at_s in told_s[:1])


def test_a_step_of_the_wall_clock_moves_no_reading_in_time() -> None:
    """Only the UTC stamps follow it."""
    bus = FakeBus(clock=SteppingClock())
    bus = FakeBus({**script(), "READ?": [gated(), Reply(gated().text, 1.0, effect=bus.clock.jump),
                                         gated()]}, clock=bus.clock)  # type: ignore[attr-defined]  # fmt: skip

    _, notebook = acquire(bus)

    spans = [b.elapsed_s - a.elapsed_s for a, b in zip(notebook.readings, notebook.readings[1:])]  # noqa: B905
    assert spans == pytest.approx([1.0, 1.0])
    assert notebook.readings[2].utc_s - notebook.readings[0].utc_s == pytest.approx(3602.0)


class SteppingClock(LeapClock):
    """A clock whose UTC can jump."""

    def jump(self) -> None:
        """Set UTC an hour ahead."""
        self._utc += 3600.0


def test_readings_are_paced_by_a_requested_interval() -> None:
    """From beginning to beginning, without adding the gate."""
    _, notebook = acquire(FakeBus(script()), interval_s=5.0, enough=4)

    assert [r.elapsed_s for r in notebook.readings] == pytest.approx([0.5, 5.5, 10.5, 15.5])


def test_the_operators_gate_is_set_between_two_readings_and_shown() -> None:
    """A refused gate is reported and does not end the run."""
    replies = {"FREQ:APER?": ["1.0", "0.1"]}
    bus = FakeBus({**script(), **replies})
    notebook = EventRecorder(5)
    acquisition = Acquisition(
        name="main", resource="R", driver="scpi", setup=Setup(), nominal=TEN_MHZ,
        on_event=notebook.take, on_status=notebook.on_status, clock=bus.clock, origin_s=0.0,
        open_link=bus.open_link,
    )  # fmt: skip
    notebook.stop = acquisition.stop
    acquisition.request(Setup(gate_s=0.1))
    acquisition.run()

    assert "FREQ:APER 0.1" in bus.links[0].sent
    assert notebook.connections[-1].gate_s == 0.1
    assert notebook.readings[-1].gate_s == 0.1


def test_a_broken_driver_is_named_in_a_sentence() -> None:
    """A third party's driver may raise any error."""

    class Broken:
        def __init__(self, link: object) -> None:
            raise ZeroDivisionError("oops")

    acquisition, notebook = acquire(FakeBus(script()), driver=Broken)

    assert isinstance(acquisition.error, DriverError)
    assert "Broken" in str(acquisition.error)
    assert "ZeroDivisionError" in str(acquisition.error)
    assert notebook.states[-1] == "ended"


def test_the_reason_of_the_end_is_published_last() -> None:
    """After the state, and once."""
    told: list[object] = []

    acquire(FakeBus(ABSENT), on_failure=told.append)

    assert told == [ABSENT]


# ------------------------------------------------------------- on real sockets and real time


def start(resource: str, enough: int, **options: Any) -> tuple[Acquisition, EventRecorder]:
    """Start an acquisition on a real link and the computer's clock."""
    clock = SystemClock()
    notebook = EventRecorder(enough)
    acquisition = Acquisition(
        name="main", resource=resource, driver="scpi", setup=Setup(), nominal=TEN_MHZ,
        on_event=notebook.take, on_status=notebook.on_status, open_link=open_link, clock=clock,
        origin_s=clock.monotonic(), **options,
    )  # fmt: skip
    notebook.stop = acquisition.stop
    acquisition.start()
    return acquisition, notebook


def replies(gate: str = "0.001") -> Any:
    """Serve a quick counter on a real socket."""
    known = COUNTER | {"FREQ:APER?": gate, "READ?": "+1.00000000231E+07"}
    return answering(lambda q: f"{known[q]}\n".encode() if q in known else None)


def test_a_stop_takes_effect_during_a_gate() -> None:
    """Within half a second, for any gate."""
    reading = threading.Event()

    def answer(query: str) -> bytes | None:
        if query == "READ?":
            reading.set()
            return None
        return f"{COUNTER.get(query, '')}\n".encode() if query in COUNTER else None

    with serving(answering(answer)) as server, Stalls() as stalls:
        acquisition, _ = start(server.resource, enough=1)
        assert reading.wait(LONGEST_WAIT_S)
        began = time.monotonic()
        acquisition.stop()
        acquisition.join(LONGEST_WAIT_S)

        assert stalls.since(began) < 0.5
        assert not acquisition.is_alive()
    assert acquisition.error is None


def test_a_refused_port_ends_with_a_sentence() -> None:
    """With a real socket."""
    with kept_port() as port:
        acquisition, _ = start(f"TCPIP0::127.0.0.1::{port}::SOCKET", enough=1)
        acquisition.join(LONGEST_WAIT_S)

    assert isinstance(acquisition.error, ConnectionFailed)
    assert "nothing listens" in str(acquisition.error)


def test_a_peer_that_goes_and_comes_back_is_read_again_within_a_second() -> None:
    """The loss is seen in 100 ms; after a short absence the first try succeeds."""
    server = TinyServer(replies())
    acquisition, notebook = start(server.resource, enough=10**9)
    try:
        with Stalls() as stalls:
            _until(lambda: len(notebook.readings) > 10)
            server.close()
            gone = time.monotonic()
            _until(lambda: "lost" in notebook.states)
            seen_after = stalls.since(gone)
            server = TinyServer(replies(), port=server.port)
            back = time.monotonic()
            _until(lambda: bool(notebook.gaps))
            resumed_after = stalls.since(back)
    finally:
        acquisition.stop()
        acquisition.join(LONGEST_WAIT_S)
        server.close()

    assert seen_after < 0.1
    assert resumed_after < 1.3
    assert len(notebook.gaps) == 1


def test_the_simulated_bench_is_read_right_and_left_as_it_was() -> None:
    """Its readings are right, and no setting has changed."""
    with open_bench("station", seed=7) as bench:
        name = bench.names[0]
        acquisition, notebook = start(bench.resources[name], enough=4)
        acquisition.join(LONGEST_WAIT_S)
        truth = bench.truth(name)
        heard = bench.received(name)

    assert acquisition.error is None
    assert notebook.readings[-1].offset == pytest.approx(truth, abs=2e-6)
    assert notebook.connections[-1].identity is not None
    assert [command for command in heard if not command.endswith("?")] == []


def test_a_closed_connection_is_a_gap() -> None:
    """Once readings have come, `LinkLost` does not end the run."""
    with open_bench("station", seed=8) as bench:
        name = bench.names[0]
        acquisition, notebook = start(bench.resources[name], enough=4)
        _until(lambda: len(notebook.readings) >= 2)
        bench.hang_up(name)
        acquisition.join(LONGEST_WAIT_S)

    assert acquisition.error is None
    assert len(notebook.gaps) == 1


def _until(condition: Any, timeout_s: float = LONGEST_WAIT_S) -> None:
    """Wait until another thread has made a condition true."""
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.002)


@pytest.mark.parametrize("with_hints", [True, False])
def test_a_counter_that_never_said_a_thing_may_need_another_driver(*, with_hints: bool) -> None:
    """The sentence names the command that tells which one fits."""
    bus = FakeBus({"READ?": MUTE})
    hint = (lambda _line, _driver: "") if with_hints else None

    acquisition, notebook = acquire(bus, driver="talk-only", hint=hint)

    said = " ".join(one.reason for one in notebook.gaps) + str(acquisition.error)
    find = "benchwatch find TCPIP0::127.0.0.1::5025::SOCKET says which driver fits."
    assert (find in said) == with_hints
