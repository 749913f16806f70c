"""The relay of a watch with a real broker: states, lines on request, presence, the end."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from load_kit import Stopwatch, wait_until
from pipeline_kit import NOMINAL, reading
from server_kit import Broker, broker

from benchwatch.journal import Journal
from benchwatch.line_output import json_line
from benchwatch.plan import Plan
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.broker_connection import BrokerConnection
from benchwatch.relay.station.station_relay import RelayOptions, StationRelay
from benchwatch.run.live_watch import LiveWatch

PLAN = Plan(name="main", resource="FAKE", nominal=NOMINAL)
STATE, LINE = "bw/1/tide-007/main/state", "bw/1/tide-007/main/line"
MUCH_S = 4.0
"""Far above what 200 readings take, or the end of a watch whose broker does not answer."""
HERE, LOOK = "bw/1/tide-007/here", "bw/1/tide-007/look"


class Silent:
    """Stands in for the thread that reads a counter; readings are given by hand."""

    def __init__(self, **_asked: object) -> None:
        pass

    def start(self) -> None:
        """Do nothing."""

    def stop(self) -> None:
        """Do nothing."""

    def join(self, _timeout: float) -> None:
        """Do nothing."""


class Desk:
    """Hears all that a station says."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self.connection = BrokerConnection(
            BrokerAddress("127.0.0.1", port, tls=False),
            client_id="desk",
            on_connected=lambda: None,
            on_message=lambda topic, payload: self.heard.append((topic, payload)),
            on_lost=lambda _why: None,
            subscriptions=[("bw/1/#", 1)],
        )

    def of(self, topic: str) -> list[Any]:
        """Return what was heard on a topic; None: an empty message."""
        return [json.loads(text) if text else None for one, text in self.heard if one == topic]

    def say(self, topic: str, **values: object) -> None:
        """Send a message."""
        payload = json.dumps({"v": 1} | values).encode()
        assert wait_until(lambda: self.connection.publish(topic, payload, qos=1))


@contextmanager
def desk(server: Broker) -> Iterator[Desk]:
    """Look at the broker."""
    one = Desk(server.port)
    one.connection.start()
    try:
        assert wait_until(lambda: one.connection.connected)
        yield one
    finally:
        one.connection.stop(2.0)


class Station:
    """A watch with one counter, its journal and its relay."""

    def __init__(self, folder: Path, port: int) -> None:
        self.journal = Journal(folder / "journal.db")
        self.relay = StationRelay(
            RelayOptions(address=BrokerAddress("127.0.0.1", port, tls=False), station="tide-007"),
            self.journal.path,
            registers=[],
            own_runs=lambda: self.journal.own_runs,
            text=json_line,
        )
        self.run = LiveWatch([PLAN], journal=self.journal, relay=self.relay, acquire=Silent)  # type: ignore[arg-type]

    def take(self, number: int) -> None:
        """Let the counter give a reading."""
        self.run._take("main", reading(number))


@contextmanager
def station(folder: Path, server: Broker) -> Iterator[Station]:
    """Run a watch at a station."""
    one = Station(folder, server.port)
    one.run.start()
    try:
        yield one
    finally:
        one.run.stop()
        one.relay.stop()
        one.journal.close()


def test_a_watch_from_its_start_to_its_end(tmp_path: Path, server: Broker) -> None:
    """Presence and state are kept for those who come later; lines come only while asked for."""
    with desk(server) as early:
        with station(tmp_path, server) as one:
            assert wait_until(lambda: early.of(STATE))
            one.take(1)
            with desk(server) as later:
                assert wait_until(lambda: later.of(STATE) and later.of(HERE))
                assert later.of(HERE)[0]["here"] is True
                later.say(LOOK, counter="main", every_s=0, for_s=30)
                assert wait_until(lambda: later.of(LINE))
                one.take(2)
                assert wait_until(lambda: len(later.of(LINE)) == 2)
                lines, states = later.of(LINE), later.of(STATE)
        assert wait_until(lambda: early.of(HERE)[-1]["here"] is False)
        assert wait_until(lambda: early.of(STATE)[-1] is None)

    assert [one["elapsed_s"] for one in lines] == [1.0, 2.0]
    assert [one["number"] for one in lines] == [None, 2]
    assert lines[1]["run"] == states[-1]["run"]


def test_a_station_that_is_said_to_be_gone_says_that_it_is_there(
    tmp_path: Path, server: Broker
) -> None:
    """So a second watch of the station may end, and take the states of its counters with it."""
    with desk(server) as looks, station(tmp_path, server) as one:
        assert wait_until(lambda: looks.of(HERE) and looks.of(STATE))
        states = len(looks.of(STATE))
        gone = {"v": 1, "here": False, "at": 7.0}
        looks.say(HERE, **gone)
        assert wait_until(lambda: gone in looks.of(HERE))
        place = looks.of(HERE).index(gone)
        assert wait_until(lambda: any(one["here"] for one in looks.of(HERE)[place:]))
        assert wait_until(lambda: len(looks.of(STATE)) > states)
        assert one.relay.unsent is None or one.relay.unsent >= 0


@pytest.mark.parametrize(
    ("topic", "payload"),
    [(LOOK, b""), (LOOK, b"\xff"), (LOOK, b'{"v":1,"for_s":"x"}'), (HERE, b"\0"), (HERE, b"[1]")],
)
def test_odd_messages_do_no_harm(
    tmp_path: Path, server: Broker, topic: str, payload: bytes
) -> None:
    """Whoever can reach the broker can write them; the next desk is served."""
    with desk(server) as looks, station(tmp_path, server) as one:
        assert wait_until(lambda: looks.of(STATE))
        assert looks.connection.publish(topic, payload, qos=1)
        one.take(1)
        looks.say(LOOK, counter=None, every_s=0, for_s=30)
        assert wait_until(lambda: looks.of(LINE))


def test_a_broker_that_comes_later_is_told_everything(tmp_path: Path) -> None:
    """A station starts before its broker after a power cut, and a broker may forget all it knew."""
    with broker(tmp_path) as server:
        server.kill()
        with station(tmp_path, server) as one:
            one.take(1)
            server.start()
            with desk(server) as looks:
                assert wait_until(lambda: looks.of(STATE) and looks.of(HERE))


@pytest.mark.parametrize("how", ["kill", "pause"])
def test_a_dead_broker_holds_nothing_up(tmp_path: Path, how: str) -> None:
    """Neither a reading, nor the end of the watch; both are far from any wait for an answer."""
    with broker(tmp_path) as server:
        with station(tmp_path, server) as one:
            assert wait_until(lambda: one.run.counter("main").snapshot.relay is not None)
            assert wait_until(lambda: one.relay._connection.connected)
            getattr(server, how)()
            watch = Stopwatch()
            for number in range(200):
                one.take(number)
            readings_s = watch.elapsed_s
            one.run.stop()
            words = one.relay.stop()
            all_s = watch.elapsed_s
            rows = one.run.counter("main").snapshot.readings
        if how == "pause":
            server.resume()

    assert rows == 200
    assert "central record" in words
    assert readings_s < MUCH_S
    assert all_s < 2 * MUCH_S


def test_an_error_of_one_line_is_told_and_the_next_is_sent(tmp_path: Path, server: Broker) -> None:
    """The thread that serves desks does not end without a word."""
    with desk(server) as looks, station(tmp_path, server) as one:
        text = one.relay._lines._text

        def fail_once(*values: Any) -> str:
            one.relay._lines._text = text
            raise ZeroDivisionError

        assert wait_until(lambda: looks.of(STATE))
        one.relay._lines._text = fail_once
        one.take(1)
        looks.say(LOOK, counter="main", every_s=0, for_s=30)
        assert wait_until(lambda: one.relay.notices)
        one.take(2)
        assert wait_until(lambda: looks.of(LINE))

    assert "ZeroDivisionError" in one.relay.notices[0]
