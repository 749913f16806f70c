"""Lines for desks: none while nobody looks, then each one or one in some seconds."""

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import line_kit
from pipeline_kit import NOMINAL, START_UTC_S, reading

from benchwatch.acquire import CounterStatus
from benchwatch.counter import Identity, LinkStatus, TimeBase
from benchwatch.estimate.dial_check_record import DialCheck
from benchwatch.estimate.results import SettleLimit
from benchwatch.line_output import json_line
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.pipeline.record_keeper import journal_record
from benchwatch.plan import Plan
from benchwatch.reading import AS_FOUND, AS_LEFT, CheckMade, Gap, Mark, Touch
from benchwatch.relay.desk.stated_counter import read_state
from benchwatch.relay.payload import MOST_PLAIN_BYTES
from benchwatch.relay.station.counter_states import CounterStates
from benchwatch.relay.station.live_lines import MOST_WAITING, LiveLines
from benchwatch.relay.station.looks import Look
from benchwatch.snapshot import RelayNow, Snapshot

ALL = Look("main", 0.0, 30.0)
PLAN = Plan(
    name="main",
    resource="FAKE",
    nominal=NOMINAL,
    tolerance=5e-9,
    settle=SettleLimit(1e-9, 600.0),
    unit="0417",
)


class Counter:
    """A counter whose pipeline is fed by hand."""

    def __init__(self, name: str = "main") -> None:
        self.pipeline = Pipeline(replace(PLAN, name=name))

    @property
    def snapshot(self) -> Snapshot:
        """The newest one."""
        return self.pipeline.snapshot

    @property
    def plan(self) -> Plan:
        """The plan."""
        return self.pipeline.plan

    def show_relay(self, _now: RelayNow, _text: str) -> None:
        """Do nothing."""


class Station:
    """The lines and states of a station whose messages are kept."""

    def __init__(self, *names: str) -> None:
        self.counters = {name: Counter(name) for name in names or ("main",)}
        self.sent: list[tuple[str, bytes]] = []
        self.connected = True
        self.lines = LiveLines("tide-007", self.counters, self._publish, json_line, lambda: 4)
        self.states = CounterStates("tide-007", self.counters, self._publish)

    def _publish(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = False) -> bool:
        if self.connected:
            self.sent.append((topic, payload))
            assert (qos, retain) == ((1, True) if topic.endswith("/state") else (0, False))
        return self.connected

    def take(self, event: Any, run: int | None = 77, number: int | None = 5) -> None:
        """Let a counter take an event, and send its line."""
        now = self.counters[event.counter].pipeline.take(event)
        self.lines.took(event, replace(now, run=run, number=number))
        self.lines.send_waiting()

    def taken(self) -> list[Mapping[str, Any]]:
        """Return the messages since the last call, without their topics."""
        messages, self.sent = [json.loads(payload) for _, payload in self.sent], []
        return messages


def test_while_nobody_looks_nothing_is_written_or_kept() -> None:
    """Then a line costs nothing."""
    station = Station()
    now = station.counters["main"].pipeline.take(reading(1))

    assert not station.lines.took(reading(1), now)
    assert not station.lines._waiting


def test_a_line_is_that_of_the_watch_with_the_place_in_the_record() -> None:
    """All keys of `watch --json`, and run, number, unsent and the weight of the last digit."""
    station = Station()
    station.lines.look(ALL, 0.0)
    station.take(reading(1))
    (line,) = station.taken()
    now = station.counters["main"].snapshot
    own = json.loads(json_line(reading(1), now.numbers))

    added = {"run": 77, "number": 5, "unsent": 4, "behind": False, "resolution_hz": 1e-4}
    assert line == own | added


def test_a_line_says_when_the_station_is_behind_with_sending() -> None:
    """As its own screen does; a few events that wait for the next batch are no news."""
    station = Station()
    station.lines.look(ALL, 0.0)
    station.take(reading(1))
    pipeline = station.counters["main"].pipeline
    pipeline.show_relay(RelayNow(unsent=400, behind=True), "", START_UTC_S, 1.5)
    station.take(reading(2))

    assert [line["behind"] for line in station.taken()] == [False, True]


def test_gaps_marks_and_the_tool_are_lines_too() -> None:
    """A desk must know why no readings come, and that somebody is at the trimmer."""
    station = Station()
    station.lines.look(ALL, 0.0)
    at = {"counter": "main", "utc_s": START_UTC_S + 9, "elapsed_s": 9.0}
    station.take(Gap(**at, lasted_s=6.2, reason="mute"))  # type: ignore[arg-type]
    station.take(Mark(**at, text="cover off"), number=6)  # type: ignore[arg-type]
    station.take(Touch(**at, on=True), number=6)  # type: ignore[arg-type]
    lines = station.taken()

    assert [(one["kind"], one["number"]) for one in lines] == [
        ("gap", 5), ("mark", 6), ("mark", None),
    ]  # fmt: skip
    assert [one.get("text") for one in lines] == [None, "cover off", "tool on"]


def test_a_spaced_look_gets_one_reading_in_so_many_seconds_and_every_gap() -> None:
    """Thousands of benches on a wall send one line in 5 s each."""
    station = Station()
    station.lines.look(Look(None, 5.0, 30.0), 0.0)
    for number in range(20):
        station.take(reading(number))
    station.take(
        Gap(counter="main", utc_s=START_UTC_S, elapsed_s=20.5, lasted_s=1.0, reason="mute")
    )

    assert [one["elapsed_s"] for one in station.taken()] == [0.0, 5.0, 10.0, 15.0, 20.5]


def test_lines_end_when_the_look_does() -> None:
    """A desk that is gone costs nothing after half a minute."""
    station = Station()
    station.lines.look(ALL, 0.0)
    station.lines.forget_ended(29.0)
    station.take(reading(1))
    station.lines.forget_ended(30.0)
    station.take(reading(2))

    assert [one["elapsed_s"] for one in station.taken()] == [1.0]


def test_only_the_counter_that_is_looked_at_sends() -> None:
    """An unknown name is nobody's."""
    station = Station("main", "five")
    station.lines.look(Look("five", 0.0, 30.0), 0.0)
    station.lines.look(Look("six", 0.0, 30.0), 0.0)
    station.take(reading(1))
    station.take(reading(1, counter="five"))

    assert [topic for topic, _ in station.sent] == ["bw/1/tide-007/five/line"]


def test_a_desk_that_comes_gets_the_newest_reading_at_once() -> None:
    """Else it would see nothing for as long as a gate lasts; a repeated look sends nothing."""
    station = Station()
    station.take(reading(1))
    station.take(reading(2))
    station.lines.look(ALL, 0.0)
    first = station.taken()
    station.lines.look(ALL, 10.0)

    assert [(one["elapsed_s"], one["number"]) for one in first] == [(2.0, None)]
    assert station.sent == []


def test_lines_that_can_not_be_sent_are_dropped() -> None:
    """They are for eyes: the record has the events from the journal, and memory stays bounded."""
    station = Station()
    station.lines.look(ALL, 0.0)
    station.connected = False
    now = station.counters["main"].pipeline.take(reading(1))
    for _ in range(3 * MOST_WAITING):
        station.lines.took(reading(1), now)

    assert len(station.lines._waiting) == MOST_WAITING
    station.lines.send_waiting()
    assert not station.lines._waiting


def test_numbers_that_are_not_known_are_null() -> None:
    """A line is strict JSON whatever the counter gave."""
    station = Station()
    station.lines.look(ALL, 0.0)
    station.take(replace(reading(1), resolution_hz=0.0), run=None, number=None)
    (line,) = station.taken()

    assert (line["run"], line["number"], line["resolution_hz"]) == (None, None, None)


# ------------------------------------------------------------ states


def test_a_state_says_what_the_counter_is() -> None:
    """All that a desk needs to make numbers of the lines."""
    station = Station()
    station.counters["main"].pipeline.connect(
        CounterStatus(
            link=LinkStatus("lost", 1.0, "no route. Next try in 5 s.", next_try_s=6.0),
            identity=Identity(text="SIMULATED\x1b[2J"),
            time_base=TimeBase("external"),
            gate_s=0.25,
            nominal=NOMINAL,
        )
    )
    station.states.write_changes()
    (state,) = station.taken()

    assert "\x1b" not in state.pop("identity")
    assert state == {
        "v": 1, "counter": "main", "time_base": "external", "gate_s": 0.25,
        "nominal_hz": "10000000", "tolerance": 5e-9, "settle": {"limit": 1e-9, "horizon_s": 600.0},
        "unit": "0417", "link": {"state": "lost", "detail": "no route."}, "run": None,
        "interval_s": None, "simulated": False, "as_found": None, "as_found_automatic": False,
        "as_left": None, "checks": [],
    }  # fmt: skip


def test_a_state_has_what_is_on_record() -> None:
    """As found, as left and finished checks, whole; it is written anew when one is added."""
    station = Station()
    pipeline = station.counters["main"].pipeline
    pipeline.connect(CounterStatus(link=LinkStatus("reading", 0.0, ""), nominal=NOMINAL))
    for at in range(1, 31):
        pipeline.take(reading(at))
    station.states.write_changes()
    found = pipeline.record(AS_FOUND, START_UTC_S + 31, 31.0)
    station.states.write_changes()
    left = pipeline.record(AS_LEFT, START_UTC_S + 32, 32.0)
    check = DialCheck.from_dict(line_kit.check_values())
    made = CheckMade(counter="main", utc_s=START_UTC_S + 33, elapsed_s=33.0,
                     document=json.dumps(check.as_dict()))  # fmt: skip
    pipeline.take(made)
    station.states.write_changes()
    station.states.write_changes()
    nothing, first, second = (read_state(payload) for _, payload in station.sent)

    assert nothing is not None
    assert (nothing.as_found, nothing.as_left, nothing.checks) == (None, None, ())
    assert first is not None
    assert (first.as_found, first.as_left) == (found, None)
    assert second is not None
    assert (second.as_found, second.as_left, second.checks) == (found, left, (check,))


def test_a_state_that_is_too_large_for_a_desk_goes_without_its_records() -> None:
    """All else of it is still seen."""
    station = Station()
    pipeline = station.counters["main"].pipeline
    pipeline.connect(CounterStatus(link=LinkStatus("reading", 0.0, ""), nominal=NOMINAL))
    for at in range(1, 31):
        pipeline.take(reading(at))
    record = pipeline.record(AS_FOUND, START_UTC_S + 31, 31.0)
    endless = replace(record, conditions=(("room", "x" * MOST_PLAIN_BYTES),))
    pipeline.take(journal_record(endless, 32.0))
    station.states.write_changes()
    state = read_state(station.sent[-1][1])

    assert state is not None
    assert (state.unit, state.as_found) == ("0417", None)


def test_a_state_is_written_when_it_changes_and_not_with_each_reading() -> None:
    """Readings come ten a second, and their spacing is never quite the same."""
    station = Station()
    for number in range(30):
        station.counters["main"].pipeline.take(reading(number))
        station.states.write_changes()
    written = len(station.taken())
    station.counters["main"].pipeline.set_limits(START_UTC_S, 31.0, tolerance=1e-9)
    station.states.write_changes()

    assert written <= 3
    assert [one["tolerance"] for one in station.taken()] == [1e-9]


def test_a_state_that_can_not_be_sent_is_tried_again_and_all_after_a_connect() -> None:
    """A broker that was started anew has nothing any more."""
    station = Station("main", "five")
    station.connected = False
    station.states.write_changes()
    station.connected = True
    station.states.write_changes()
    first = [topic for topic, _ in station.sent]
    station.sent.clear()
    station.states.write_changes()
    again = list(station.sent)
    station.states.write_all_again()
    station.states.write_changes()

    topics = ["bw/1/tide-007/main/state", "bw/1/tide-007/five/state"]
    assert (first, again) == (topics, [])
    assert [topic for topic, _ in station.sent] == topics


def test_an_orderly_end_empties_the_states() -> None:
    """The broker forgets a kept message when an empty one comes."""
    station = Station("main", "a/b+#")
    station.states.withdraw()

    assert station.sent == [
        ("bw/1/tide-007/main/state", b""),
        ("bw/1/tide-007/a%2Fb%2B%23/state", b""),
    ]
