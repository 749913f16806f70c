"""The desk of one broker: what waits is bounded, faults stay with their counter, all are asked."""

import json
import threading
from collections.abc import Callable
from typing import Any

import line_kit
import pytest
from load_kit import LONGEST_WAIT_S, wait_until
from pipeline_kit import NOMINAL, START_UTC_S, reading

from benchwatch.acquire import CounterStatus
from benchwatch.clock import SystemClock
from benchwatch.counter import LinkStatus
from benchwatch.pipeline.pipeline import Pipeline
from benchwatch.plan import Plan
from benchwatch.reading import Event, Gap, Reading
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.broker_listener import BrokerListener
from benchwatch.relay.desk import broker_desk, station_link
from benchwatch.relay.desk.broker_desk import CLIENT_ID, MOST_WAITING, BrokerDesk
from benchwatch.relay.desk.relayed_acquisition import RelayedAcquisition
from benchwatch.staleness import is_current


@pytest.fixture(autouse=True)
def _patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Call no link lost because the test, whose lines are waited for, got no processor."""
    monkeypatch.setattr(station_link, "LEAST_SILENCE_S", LONGEST_WAIT_S)


class FakeConnection:
    """A connection whose messages the test hands over."""

    def __init__(self, listener: BrokerListener) -> None:
        self.listener = listener
        self.said: list[tuple[str, dict[str, Any]]] = []

    def start(self) -> None:
        """Be connected at once."""
        self.listener.connected()

    def stop(self, within_s: float) -> None:
        """Do nothing."""

    def publish(self, topic: str, payload: bytes) -> bool:
        """Remember it."""
        self.said.append((topic, json.loads(payload)))
        return True

    def hear(self, topic: str, values: dict[str, Any]) -> None:
        """Hand over a message."""
        self.listener.heard(topic, line_kit.payload(values))


class Desk:
    """Counters of a fake broker, and the events of each."""

    def __init__(
        self,
        *stations: str,
        on_event: Callable[[Event], None] | None = None,
        every_s: float = 0.0,
        start: bool = True,
    ) -> None:
        self.clock = SystemClock()
        self.connections: list[FakeConnection] = []
        self.desk = BrokerDesk(
            BrokerAddress("127.0.0.1", 1883, tls=False), connect=self._connect, clock=self.clock,
            every_s=every_s,
        )  # fmt: skip
        self.events: dict[str, list[Event]] = {}
        self.errors: dict[str, list[Exception]] = {}
        self.counters: list[RelayedAcquisition] = []
        self._on_event = on_event
        for name in stations:
            self.add(name, "main")
        if start:
            self.start()

    def add(self, station: str, counter: str) -> None:
        """Add a counter; one that is called main goes by the name of its station."""
        name = station if counter == "main" else f"{station}/{counter}"
        self.events[name], self.errors[name] = [], []
        self.counters.append(
            RelayedAcquisition(
                name=f"{station}/{counter}", station=station, counter=counter, nominal=None,
                on_event=self._on_event or self.events[name].append,
                on_status=lambda _status: None, on_failure=self.errors[name].append,
                clock=self.clock, origin_s=self.clock.monotonic(), desk=self.desk,
                persistent=True,
            )
        )  # fmt: skip

    def start(self) -> None:
        """Connect."""
        for counter in self.counters:
            counter.start()

    def _connect(
        self, listener: BrokerListener, _address: BrokerAddress, *, client_id: str
    ) -> FakeConnection:
        assert client_id == CLIENT_ID
        self.connections.append(FakeConnection(listener))
        return self.connections[-1]

    def end(self) -> None:
        """Stop all counters."""
        for counter in self.counters:
            counter.stop()
        for counter in self.counters:
            counter.join(LONGEST_WAIT_S)


def test_one_connection_serves_all_counters_and_hears_no_others() -> None:
    """Three topics a counter; each station is asked."""
    made = Desk("a", "b")
    (connection,) = made.connections
    assert wait_until(lambda: len(connection.said) >= 2)
    made.end()

    assert {topic for topic, _ in connection.listener.subscriptions} == {
        "bw/1/a/here", "bw/1/b/here", "bw/1/a/main/state", "bw/1/b/main/state",
        "bw/1/a/main/line", "bw/1/b/main/line",
    }  # fmt: skip
    assert {topic for topic, _ in connection.said} == {"bw/1/a/look", "bw/1/b/look"}


@pytest.mark.parametrize("station", [None, "a"], ids=["all stations", "one station"])
def test_a_desk_that_follows_meets_later_counters(station: str | None) -> None:
    """It hears them by a filter, tells of each once, and gives it what is known of its station."""
    made = Desk("a", start=False)
    met: list[tuple[str, str]] = []

    def meet(station: str, counter: str, _payload: bytes) -> None:
        met.append((station, counter))
        if counter != "other":
            made.add(station, counter)

    made.desk.follow(station, meet)
    made.start()
    (connection,) = made.connections
    connection.hear("bw/1/a/here", {"v": 1, "here": True})
    for counter in ("main", "five", "other", "five"):
        connection.hear(f"bw/1/a/{counter}/state", line_kit.state_values(nominal_hz="5000000"))
    assert wait_until(lambda: any(what.get("counter") == "five" for _, what in connection.said))
    connection.hear("bw/1/a/five/line", line_kit.reading_values(1, 0.1, "5000000.000"))
    assert wait_until(lambda: bool(made.events["a/five"]))
    was_here = made.counters[-1].is_here
    made.end()

    assert met == [("a", "five"), ("a", "other")]
    assert was_here
    whose = station or "+"
    listened = {topic for topic, _ in connection.listener.subscriptions}
    assert {f"bw/1/{whose}/+/state", f"bw/1/{whose}/+/line", f"bw/1/{whose}/here"} == listened


def test_a_flood_fills_no_memory_and_leaves_a_gap() -> None:
    """While the desk is busy 3000 lines come; what it can't use is dropped, and said."""
    held, events = threading.Event(), list[Event]()

    def take(event: Event) -> None:
        held.wait(LONGEST_WAIT_S)
        events.append(event)

    made = Desk("a", on_event=take)
    (connection,) = made.connections
    for number in range(1, 3001):
        text = f"{10_000_000 + number % 7}.000"
        connection.hear("bw/1/a/main/line", line_kit.reading_values(number, 0.1 * number, text))
    waiting = made.desk.waiting("a", "main")
    held.set()
    assert wait_until(lambda: not made.desk.waiting("a", "main"))
    connection.hear("bw/1/a/main/line", line_kit.reading_values(3001, 300.1, "10000000.000"))
    assert wait_until(lambda: any(isinstance(event, Gap) for event in events))
    made.end()
    readings = [event for event in events if isinstance(event, Reading)]
    (gap,) = [event for event in events if isinstance(event, Gap)]

    assert waiting <= MOST_WAITING
    assert MOST_WAITING <= len(readings) <= MOST_WAITING + 3
    assert f"about {3001 - len(readings)} lines did not get here" in gap.reason
    assert "more came than this desk can use" in gap.reason


def test_a_flood_of_new_counters_fills_no_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """While the desk is busy, states of counters that it does not have wait up to a number."""
    monkeypatch.setattr(broker_desk, "MOST_UNMET", 5)
    made, met, held = Desk("a", start=False), list[str](), threading.Event()
    made.desk.follow(None, lambda _station, counter, _payload: met.append(counter))
    made.start()
    (connection,) = made.connections
    made.desk.post(lambda: held.wait(LONGEST_WAIT_S) and None)
    for number in range(50):
        connection.hear(f"bw/1/b/c{number}/state", line_kit.state_values())
    connection.hear("bw/1/a/main/state", line_kit.state_values(unit="0418"))
    held.set()
    stated = made.counters[0]._publisher
    assert wait_until(lambda: stated.status.stated is not None)
    made.end()

    assert met == [f"c{number}" for number in range(5)]
    assert stated.status.stated is not None
    assert stated.status.stated.unit == "0418"


def test_a_fault_of_the_program_ends_one_counter_only() -> None:
    """What raises for one counter is its error; the other reads on."""

    def fail(event: Event) -> None:
        if event.counter == "a/main":
            raise ZeroDivisionError
        taken.append(event)

    taken: list[Event] = []
    made = Desk("a", "b", on_event=fail)
    (connection,) = made.connections
    for name in ("a", "b"):
        connection.hear(f"bw/1/{name}/main/line", line_kit.reading_values(1, 0.1, "10000000.000"))
    assert wait_until(
        lambda: bool(made.errors["a"]) and any(isinstance(one, Reading) for one in taken)
    )
    made.end()

    assert "fault in the program" in str(made.errors["a"][0])
    assert made.errors["b"] == []


def test_a_station_that_comes_is_asked_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """What was asked before it was there, it did not hear; the next round would come later."""
    monkeypatch.setattr(broker_desk, "LOOK_EVERY_S", 1e6)
    made = Desk("a", "b")
    (connection,) = made.connections
    assert wait_until(lambda: len(connection.said) == 2)
    connection.hear("bw/1/b/here", {"v": 1, "here": False})
    connection.hear("bw/1/b/here", {"v": 1, "here": True})
    assert wait_until(lambda: len(connection.said) == 3)
    made.end()

    assert connection.said[2][0] == "bw/1/b/look"


def test_a_counter_that_has_failed_gives_no_more_events() -> None:
    """Its failure is the last that is heard of it."""
    made = Desk("a", "b")
    (connection,) = made.connections
    counter = made.counters[0]
    made.desk.post(lambda: counter.fail(ZeroDivisionError()))
    for name in ("a", "b"):
        connection.hear(f"bw/1/{name}/main/line", line_kit.reading_values(1, 0.1, "10000000.000"))
    assert wait_until(lambda: bool(made.events["b"]))
    made.end()

    assert len(made.errors["a"]) == 1
    assert made.events["a"] == []


def test_an_error_in_what_is_posted_is_told() -> None:
    """The thread that serves all counters does not end without a word."""

    def fail() -> None:
        raise ZeroDivisionError

    made = Desk("a", "b")
    made.desk.post(fail)
    assert wait_until(lambda: bool(made.errors["a"] and made.errors["b"]))
    made.end()

    assert "fault in the program" in str(made.errors["b"][0])


def test_a_longer_gate_is_no_lost_link(monkeypatch: pytest.MonkeyPatch) -> None:
    """The station states a gate of 10 s; for 3 s and more no line comes, as none can."""
    made = Desk("a")
    (connection,) = made.connections
    counter = made.counters[0]
    connection.hear("bw/1/a/here", {"v": 1, "here": True, "at": 1.0})
    connection.hear("bw/1/a/main/state", line_kit.state_values(gate_s=0.001, interval_s=0.001))
    for number in range(1, 4):
        values = line_kit.reading_values(number, number / 1000, "10000000.000", gate_s=0.001)
        connection.hear("bw/1/a/main/line", values)
    connection.hear("bw/1/a/main/state", line_kit.state_values(gate_s=10.0, interval_s=0.001))
    assert wait_until(lambda: sum(isinstance(one, Reading) for one in made.events["a"]) == 3)
    monkeypatch.setattr(station_link, "LEAST_SILENCE_S", 0.0)
    made.desk.post(lambda: counter._link.line_came(made.clock.monotonic() - 8.0))
    made.desk.post(counter.judge)
    judged = threading.Event()
    made.desk.post(judged.set)
    judged.wait()
    state = counter._publisher.status.link.state
    made.end()

    assert state == "reading"


def test_a_flood_of_one_station_hides_no_silence_of_another(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """There is always work to do, and still each link is judged and asked for its lines."""
    made, ended = Desk("a", "b"), threading.Event()
    judged: list[str] = []
    monkeypatch.setattr(made.counters[1], "judge", lambda: judged.append("b"))

    def never_done() -> None:
        if not ended.is_set():
            made.desk.post(never_done)

    made.desk.post(never_done)
    before = len(judged)
    hidden = not wait_until(lambda: len(judged) >= before + 2)
    ended.set()
    made.end()

    assert not hidden


def test_a_counter_of_a_wall_says_how_seldom_its_lines_come() -> None:
    """On a wall a line is asked for every 5 s, also of a counter that was opened for a while."""
    made = Desk("a", every_s=5.0)
    assert wait_until(lambda: made.counters[0]._publisher.status.every_s == 5.0)
    made.end()

    assert made.counters[0]._publisher.status.every_s == 5.0


def test_lines_that_are_asked_for_seldom_are_no_silence() -> None:
    """Each reading came while a counter was open; then there is one in 5 s."""
    plan = Plan(name="main", resource="MQTT", nominal=NOMINAL, station="a")
    pipeline = Pipeline(plan, journal=None, utc_s=START_UTC_S, watch=1)
    pipeline.connect(CounterStatus(link=LinkStatus("reading", 0.0, ""), gate_s=1.0, every_s=5.0))
    for number in range(1, 13):
        pipeline.take(reading(number))

    assert is_current(pipeline.snapshot, 12.0 + 5.5)
    assert not is_current(pipeline.snapshot, 12.0 + 20.0)
