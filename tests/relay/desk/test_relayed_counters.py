"""Counters elsewhere through a real broker: lines asked for, lost links told, nothing kept here."""

import math
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from decimal import Decimal
from functools import partial
from itertools import count
from pathlib import Path
from typing import Any

import line_kit
import pytest
from load_kit import LONGEST_WAIT_S, wait_until
from made_station_kit import MadeStation
from mqtt_client_kit import MqttClient
from relay_folder_kit import MadeRelay
from server_kit import Broker, broker

from benchwatch.commands.common.typed_readings import acquire
from benchwatch.errors import ConnectionFailed, UsageError
from benchwatch.journal import Journal
from benchwatch.plan import Plan
from benchwatch.reading import Gap
from benchwatch.relay.desk import station_link
from benchwatch.relay.desk.desks import Desks
from benchwatch.relay.identity import Identity
from benchwatch.run.counters_in_run import RunLimits
from benchwatch.run.live_watch import LiveWatch
from benchwatch.snapshot import Records, Snapshot

USUAL_SILENCE_S = station_link.LEAST_SILENCE_S


@pytest.fixture(autouse=True)
def _patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Call no link lost because the test, whose lines are waited for, got no processor."""
    monkeypatch.setattr(station_link, "LEAST_SILENCE_S", LONGEST_WAIT_S)


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    """A broker for the tests that don't kill theirs; each has stations of its own names."""
    with broker(tmp_path_factory.mktemp("broker")) as server:
        yield server


def plan_of(port: int, station: str, counter: str = "main", **changes: Any) -> Plan:
    """Return the plan of a counter elsewhere."""
    settings = {
        "name": f"{station}/{counter}",
        "resource": f"MQTT::127.0.0.1::{port}::{station}::{counter}",
        "station": station,
    }
    return Plan(**(settings | changes))


@contextmanager
def watching(
    *plans: Plan, journal: Journal | None = None, persistent: bool = True, lines: bool = False
) -> Iterator[LiveWatch]:
    """Watch counters elsewhere until the context is left."""
    desks = Desks()
    desks.counters = len(plans)
    run = LiveWatch(
        plans,
        journal=journal,
        limits=RunLimits(),
        lines=lines,
        acquire=partial(
            acquire, open_link=None, load=None, persistent=persistent, source=None, hint=None,
            desks=desks,
        ),
    )  # fmt: skip
    run.start()
    try:
        yield run
    finally:
        run.stop()


def now_of(run: LiveWatch, name: str) -> Snapshot:
    """Return the newest snapshot of a counter."""
    return run.counter(name).snapshot


def read_some(run: LiveWatch, station: MadeStation, name: str, more: int, start: int = 0) -> None:
    """Send so many lines, a second of the station's run apart, and wait until they are there."""
    before = now_of(run, name).readings
    for at in range(start, start + more):
        station.send(at + 0.5, f"10000000.02{at * 7 % 10}")
    assert wait_until(lambda: now_of(run, name).readings == before + more)


def gaps_of(run: LiveWatch, name: str) -> list[str]:
    """Return the reasons of the gaps that were noted, oldest first."""
    return [one.text for one in now_of(run, name).logged_events if one.kind == "gap"]


names = (f"tide-{number:03}" for number in count(1))


def test_lines_become_readings_with_what_the_station_states(shared: Broker) -> None:
    """It is asked for each line; identity, time base, nominal, limits and unit are its own."""
    with MadeStation(shared.port, name := next(names), unit="0417") as station:
        full = f"{name}/main"
        with watching(plan_of(shared.port, name)) as run:
            station.wait_for_look()
            read_some(run, station, full, 20)
            now = now_of(run, full)

    assert station.looks[0] == {"v": 1, "counter": "main", "every_s": 0.0, "for_s": 30}
    assert now.link.state == "reading"
    assert now.identity is not None
    assert (now.identity.text, now.time_base.source, now.gate_s) == ("made counter", "external", 1)
    assert now.nominal_hz == 1e7
    assert now.numbers.tolerance is not None
    assert now.numbers.tolerance.limit == 5e-9
    assert now.warm_up is not None
    assert now.warm_up.limit is not None
    assert now.numbers.estimate is not None
    assert now.numbers.estimate.offset == pytest.approx(2.45e-9, abs=2e-10)
    assert now.visit is not None
    assert (now.visit.unit, now.visit.number) == ("0417", None)


def test_what_is_on_record_at_the_station_is_seen_by_a_desk_that_comes_later(
    shared: Broker,
) -> None:
    """As found and checks stand from the beginning, as left comes; a new visit has none."""
    found, left = line_kit.record_values(), line_kit.record_values(kind="as left")
    check = line_kit.check_values()
    with MadeStation(shared.port, name := next(names)) as station:
        full = f"{name}/main"
        station.say_state(as_found=found, as_found_automatic=True, checks=[check])
        with watching(plan_of(shared.port, name)) as run:
            station.wait_for_look()
            read_some(run, station, full, 3)
            before = now_of(run, full)
            station.say_state(as_found=found, as_found_automatic=True, as_left=left, checks=[check])
            assert wait_until(lambda: (now_of(run, full).records or Records()).as_left is not None)
            after = now_of(run, full)
            station.say_state()
            assert wait_until(lambda: now_of(run, full).records is None)
            in_the_end = now_of(run, full)

    assert before.records is not None
    assert before.records.as_found is not None
    assert before.records.as_found.as_dict() == found
    assert (before.records.as_found_automatic, before.records.as_left) == (True, None)
    assert before.checks is not None
    assert [row.check and row.check.as_dict() for row in before.checks.rows] == [check]
    assert after.records is not None
    assert after.records.as_left is not None
    assert after.records.as_left.as_dict() == left
    assert in_the_end.checks is None
    assert in_the_end.logged_events is not None
    logged = [(one.kind, one.utc_s) for one in in_the_end.logged_events]
    assert [kind for kind, _ in logged if kind in {"record", "check"}] == [
        "record", "check", "record",
    ]  # fmt: skip
    assert {utc_s for kind, utc_s in logged if kind == "record"} == {line_kit.UTC_S}


def test_records_of_another_nominal_are_not_shown(shared: Broker) -> None:
    """Their fractions are of the nominal that the station goes by: they wait until it is typed."""
    with MadeStation(shared.port, name := next(names)) as station:
        station.say_state(as_found=line_kit.record_values(), checks=[line_kit.check_values()])
        plan = plan_of(shared.port, name, nominal=Decimal(10_000_001))
        with watching(plan) as run:
            station.wait_for_look()
            read_some(run, station, f"{name}/main", 3)
            now = now_of(run, f"{name}/main")
            run.counter(f"{name}/main").change("nominal", "10 MHz")
            shown = wait_until(lambda: now_of(run, f"{name}/main").records is not None)
            after = now_of(run, f"{name}/main")

    assert (now.records, now.checks) == (None, None)
    assert shown
    assert after.checks is not None


def test_a_killed_broker_is_a_lost_link_and_then_a_counted_gap(tmp_path: Path) -> None:
    """30 lines were not sent meanwhile; the central record has them."""
    with (
        broker(tmp_path) as server,
        MadeStation(server.port, "tide-007") as station,
        watching(plan_of(server.port, "tide-007")) as run,
    ):
        station.wait_for_look()
        read_some(run, station, "tide-007/main", 10)
        server.kill()
        assert wait_until(lambda: now_of(run, "tide-007/main").link.state == "lost")
        detail = now_of(run, "tide-007/main").link.detail
        station.looks = []
        server.start()
        station.wait_for_look()
        station.number += 30
        read_some(run, station, "tide-007/main", 3, start=40)

        assert now_of(run, "tide-007/main").link.state == "reading"
        (gap,) = gaps_of(run, "tide-007/main")

        assert gap == (
            "no readings for 31 s: about 30 lines did not get here (the broker was away); the "
            "central record has them"
        )
    assert detail.startswith(f"the broker mqtt://127.0.0.1:{server.port} is away")
    assert "tried again" in detail


def test_a_station_that_is_gone_is_a_lost_link(shared: Broker) -> None:
    """Its will says so at once; when it is back it is asked again, and lines go on."""
    name = next(names)
    full = f"{name}/main"
    with watching(plan_of(shared.port, name)) as run:
        with MadeStation(shared.port, name) as station:
            station.wait_for_look()
            read_some(run, station, full, 10)
        assert wait_until(lambda: now_of(run, full).link.state == "lost")
        detail = now_of(run, full).link.detail
        with MadeStation(shared.port, name) as back:
            back.wait_for_look()
            back.number = 15
            read_some(run, back, full, 2, start=15)
        (gap,) = gaps_of(run, full)

    assert "gone" in detail
    assert f"about 5 lines did not get here ({name} was away)" in gap


def test_silence_is_a_lost_link(shared: Broker, monkeypatch: pytest.MonkeyPatch) -> None:
    """The station is there and sends nothing more."""
    with MadeStation(shared.port, name := next(names)) as station:
        full = f"{name}/main"
        with watching(plan_of(shared.port, name)) as run:
            station.wait_for_look()
            read_some(run, station, full, 3)
            monkeypatch.setattr(station_link, "LEAST_SILENCE_S", USUAL_SILENCE_S)
            assert wait_until(lambda: now_of(run, full).link.state == "lost")

            assert "no line comes" in now_of(run, full).link.detail
            monkeypatch.setattr(station_link, "LEAST_SILENCE_S", LONGEST_WAIT_S)
            read_some(run, station, full, 1, start=3)
            assert now_of(run, full).link.state == "reading"


def test_the_link_of_the_station_to_its_counter_is_shown(shared: Broker) -> None:
    """Lost there is lost here, with the reason; it goes on with the next line."""
    with MadeStation(shared.port, name := next(names)) as station:
        full = f"{name}/main"
        with watching(plan_of(shared.port, name)) as run:
            station.wait_for_look()
            read_some(run, station, full, 3)
            station.say_state(link={"state": "lost", "detail": "the cable is out"})
            assert wait_until(lambda: now_of(run, full).link.state == "lost")
            assert now_of(run, full).link.detail == f"at {name}: the cable is out"
            station.say_state()
            read_some(run, station, full, 1, start=3)
            station.say("main/state", b"", retain=True)
            assert wait_until(lambda: now_of(run, full).link.state == "lost")
            assert "has ended" in now_of(run, full).link.detail


def test_hostile_lines_harm_nobody_else(shared: Broker) -> None:
    """Garbage, lies and a flood at one station; the other counter reads on."""
    bad, good = next(names), next(names)
    with (
        MadeStation(shared.port, bad) as liar,
        MadeStation(shared.port, good) as honest,
        watching(plan_of(shared.port, bad), plan_of(shared.port, good)) as run,
    ):
        liar.wait_for_look()
        read_some(run, honest, f"{good}/main", 2)
        for payload in (
            b"\xff",
            b"{",
            b"[]",
            b'{"kind":"reading"}',
            b'{"a":1e999}',
            b"x" * 60_000,
        ):
            liar.say("main/line", payload)
        liar.say("main/state", b"\xff\xfe", retain=True)
        liar.say("here", b"no", retain=True)
        liar.send(1.0, "5000000.000")
        liar.send(2.0, gate_s=[1.0])
        liar.send(3.0, "10000000.001")
        read_some(run, honest, f"{good}/main", 3, start=2)
        assert wait_until(lambda: now_of(run, f"{bad}/main").readings == 1)
        marks = [mark.text for mark in now_of(run, f"{bad}/main").marks]

        assert run.outcome is None
        assert gaps_of(run, f"{good}/main") == []
    refused = [text for text in marks if "refused" in text]
    assert len(refused) == 2  # the first and the tenth
    assert all(text.isprintable() for text in marks)


def test_nothing_is_kept_at_the_desk(shared: Broker, tmp_path: Path) -> None:
    """No run and no reading in the journal, no visit; the operator is told where they are kept."""
    with (
        closing(Journal(tmp_path / "journal.sqlite")) as journal,
        MadeStation(shared.port, name := next(names)) as station,
    ):
        full = f"{name}/main"
        with watching(plan_of(shared.port, name), journal=journal) as run:
            station.wait_for_look()
            read_some(run, station, full, 12)
            counter = run.counter(full)
            for refused in (
                lambda: counter.record("as found"),
                lambda: counter.record("as left"),
                lambda: counter.change_visit("note", "lid on"),
                lambda: counter.change_visit("new unit", "0417"),
                lambda: counter.check("100 MHz"),
                counter.go_on_checking,
                lambda: counter.change("gate", "10 s"),
            ):
                with pytest.raises(UsageError, match=rf"{name}.*\.$"):
                    refused()
            counter.change("tolerance", "2 ppb")
            run.mark("window open")
            assert wait_until(lambda: counter.snapshot.marks[-1].text == "window open")
            now = counter.snapshot
    rows = _rows(tmp_path / "journal.sqlite")

    assert rows == {"runs": 0, "readings": 0, "marks": 0, "notes": 0}
    assert now.not_on_disk is None
    assert now.numbers.tolerance is not None
    assert now.numbers.tolerance.limit == 2e-9


def _rows(path: Path) -> dict[str, int]:
    """Count the rows of a journal."""
    with sqlite3.connect(path) as file:
        return {
            table: file.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("runs", "readings", "marks", "notes")
        }


def test_counters_are_found_by_what_stations_left(shared: Broker) -> None:
    """Those of one station, and those of the broker; an unknown one is a sentence."""
    desks = Desks()
    first, second = next(names), next(names)
    with MadeStation(shared.port, first, "ten", "five"), MadeStation(shared.port, second, "ten"):
        address, _, _ = desks.parse(f"mqtt::127.0.0.1::{shared.port}")
        of_first = desks.find(address, first)
        of_all = {(one.station, one.counter) for one in desks.find(address, None)}

    assert [(one.station, one.counter) for one in of_first] == [(first, "five"), (first, "ten")]
    assert of_first[0].state.tolerance == 5e-9
    assert {(first, "five"), (first, "ten"), (second, "ten")} <= of_all
    with pytest.raises(ConnectionFailed, match="does not know a counter of nobody"):
        desks.find(address, "nobody")


def test_a_broker_that_is_not_there_is_waited_for() -> None:
    """The counter is not there yet, with the reason."""
    with watching(plan_of(1, "tide-007")) as run:
        assert wait_until(lambda: "away" in now_of(run, "tide-007/main").link.detail)
        assert now_of(run, "tide-007/main").link.state == "connecting"
        assert "tide-007/main" in run.absent


def test_more_than_sixty_counters_are_asked_for_a_line_in_five_seconds(shared: Broker) -> None:
    """All counters of the station at once; one whose chart is looked at, for each line."""
    counters = [f"c{number}" for number in range(61)]
    with (
        MadeStation(shared.port, name := next(names), *counters) as station,
        watching(*(plan_of(shared.port, name, one) for one in counters)) as run,
    ):
        station.wait_for_look()
        assert station.looks[0] == {"v": 1, "counter": None, "every_s": 5.0, "for_s": 30}
        run.counter(f"{name}/c7").trace(60.0, 10)
        station.wait_for_look(counter="c7", every_s=0.0)


def test_a_gap_of_the_station_and_an_unsent_backlog_come_through(shared: Broker) -> None:
    """The gap as the station tells it; 4286 unsent events as a state of the bench."""
    with MadeStation(shared.port, name := next(names)) as station:
        full = f"{name}/main"
        with watching(plan_of(shared.port, name)) as run:
            station.wait_for_look()
            read_some(run, station, full, 3)
            gap = line_kit.event_values("gap", 4, 2.5, lasted_s=6.0, reason="no reply within 2.5 s")
            station.number = 4
            station.say("main/line", gap)
            station.send(8.5, unsent=4286, behind=True)
            assert wait_until(lambda: now_of(run, full).readings == 4)
            assert wait_until(lambda: now_of(run, full).relay is not None)
            now = now_of(run, full)

    assert isinstance(now.last_gap, Gap)
    assert (now.gaps, now.last_gap.reason) == (1, "no reply within 2.5 s")
    assert now.relay is not None
    assert (now.relay.unsent, now.relay.behind) == (4286, True)
    assert math.isfinite(now.numbers.estimate.offset if now.numbers.estimate else math.nan)


def test_a_desk_with_a_certificate_sees_stations_over_tls(tmp_path: Path) -> None:
    """With the files of `relay init`; without the certificate nothing is heard."""
    made = MadeRelay(tmp_path / "relay")
    identity = Identity.load(made.desk)
    state = line_kit.payload(line_kit.state_values())
    with (
        made.broker(tmp_path) as server,
        MqttClient(server.port, made.station("tide-001")) as station,
    ):
        station.publish("bw/1/tide-001/main/state", state, retain=True)
        desks, plain = Desks(identity), Desks()
        address, name, _ = desks.parse(f"MQTT::127.0.0.1::{server.port}::tide-001")
        found = desks.find(address, name)
        unsecured = plain.parse(f"MQTT::127.0.0.1::{server.port}")[0]
        with pytest.raises(ConnectionFailed, match="can't be reached"):
            plain.find(unsecured, None)

    assert address.tls
    assert [(one.station, one.counter) for one in found] == [("tide-001", "main")]
