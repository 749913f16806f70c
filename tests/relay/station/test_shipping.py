"""A station sends its journal by a real broker and a real keeper into a real database."""

import random
import sqlite3
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest
from batch_kit import UTC_S
from central_record_kit import rows
from load_kit import LONGEST_WAIT_S, wait_until
from record_comparison import EVENTS
from server_kit import Broker, Database
from shipping_kit import WrittenRun, check_same, connected_keeper, sending_station

from benchwatch.journal import Journal
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile
from benchwatch.relay.station import transfer_times


@pytest.fixture
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let stations ask a second time only where the first answer was lost, not where it is late."""
    monkeypatch.setattr(transfer_times, "PATIENCE_S", LONGEST_WAIT_S)


@pytest.mark.usefixtures("patient")
def test_all_that_a_station_has_gets_into_the_record(
    tmp_path: Path, server: Broker, record: Database
) -> None:
    """Earlier runs, live ones, their ends, and the registers are sent, row by row the same."""
    path, register = tmp_path / "journal.db", tmp_path / "register.db"
    with closing(Journal(path)) as journal:
        earlier = WrittenRun(journal)
        earlier.write(700)
        earlier.end()
        file = RegisterFile(register)
        file.add([Draft(kind="unit", unit="a", document={"ident": "a"})])
        runs = [WrittenRun(journal, name) for name in ("main", "second")]
        own = [run.key for run in runs]
        with (
            connected_keeper(server.port, record),
            sending_station(server.port, path, own, (register, tmp_path / "none.db")) as station,
        ):
            for run in runs:
                run.write(60)
            station.shipper.wrote(soon=True)
            assert wait_until(lambda: station.shipper.is_done)
            check_same(record, path, register)
            for run in runs:
                run.write(30)
                run.end()
            file.add([Draft(kind="note", unit="a", document={"text": "µ"})])
            station.stop(LONGEST_WAIT_S)
            assert station.shipper.state.unsent == 0
            assert station.shipper.notices == []
    files = [register]
    with (
        connected_keeper(server.port, record),
        sending_station(server.port, path, registers=files) as again,
    ):
        assert wait_until(lambda: again.shipper.is_done)
        assert len(again.sent) < 5
    check_same(record, path, register)


@pytest.mark.usefixtures("patient")
def test_a_second_start_sends_nothing_twice(
    tmp_path: Path, server: Broker, record: Database
) -> None:
    """What the record has is not sent again by the next program: one question is enough."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal:
        for _ in range(5):
            run = WrittenRun(journal)
            run.write(20)
            run.end()
    with connected_keeper(server.port, record):
        for questions_and_batches in (2 + 5, 2):
            with sending_station(server.port, path) as station:
                assert wait_until(lambda: station.shipper.is_done)
            assert len(station.sent) <= questions_and_batches
    check_same(record, path)


def test_a_keeper_that_comes_later(tmp_path: Path, server: Broker, record: Database) -> None:
    """While no keeper is there events count as unsent; when it comes they are sent at once."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal, sending_station(server.port, path) as station:
        run = WrittenRun(journal)
        station.own = (run.key,)
        run.write(300)
        station.shipper.wrote(soon=True)
        assert wait_until(lambda: station.shipper.state.unsent == 300)
        assert wait_until(lambda: station.shipper.state.why == "the keeper does not answer")
        assert station.shipper.state.oldest_utc_s == pytest.approx(UTC_S + 1.0)
        assert station.batches == 0
        with connected_keeper(server.port, record):
            assert wait_until(lambda: station.shipper.state.unsent == 0)
            assert station.shipper.state.why == ""
    check_same(record, path)


def test_what_can_not_be_sent_is_told_and_holds_up_nothing(
    tmp_path: Path, server: Broker, record: Database
) -> None:
    """Rows that were spoiled by hand are left out and named, and the keeper notes them."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal:
        good, bad = WrittenRun(journal), WrittenRun(journal)
        good.write(50)
        bad.write(50)
        good.end()
        bad.end()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(
            "UPDATE readings SET utc_s = 1e300 WHERE run = ? AND number = 5", (good.key,)
        )
        connection.execute(
            "UPDATE readings SET text = x'ff31' WHERE run = ? AND number = 7", (good.key,)
        )
        connection.execute(
            "UPDATE runs SET identity = CAST(x'ff' AS TEXT) WHERE run = ?", (bad.key,)
        )
        connection.commit()
    with connected_keeper(server.port, record), sending_station(server.port, path) as station:
        assert wait_until(lambda: len(numbers(record)) == 48)
        assert wait_until(lambda: station.shipper.state.refused == 1)
        told = sorted(station.shipper.notices)

    assert len(told) == 2
    assert (
        "can't be sent, and the central record will not have them, such as 5" in told[0] + told[1]
    )
    assert "not UTF-8 as identity" in told[0] + told[1]
    assert rows(record, "SELECT count(*) FROM benchwatch.refused")[0][0] >= 1


def test_a_backlog_and_what_it_costs(tmp_path: Path, server: Broker, record: Database) -> None:
    """A backlog is sent as fast as answers allow; its duration and cost are printed."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal:
        run = WrittenRun(journal)
        run.write(12_000)
        with connected_keeper(server.port, record):
            began_s, cpu_s = time.monotonic(), time.process_time()
            with sending_station(server.port, path, [run.key]) as station:
                assert wait_until(lambda: station.shipper.state.unsent == 0)
                elapsed_s, cpu_s = time.monotonic() - began_s, time.process_time() - cpu_s
    check_same(record, path)
    print(f"12000 events in {elapsed_s:.1f} s, {cpu_s:.1f} s of CPU with the keeper")


def test_writers_are_not_held_up(tmp_path: Path, server: Broker, record: Database) -> None:
    """Events are written by several threads while they are sent, and all of them get there."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal, connected_keeper(server.port, record):
        runs = [WrittenRun(journal, f"counter {number}") for number in range(4)]
        with sending_station(server.port, path, [run.key for run in runs]) as station:

            def write(run: WrittenRun) -> None:
                chance = random.Random(run.key)
                for _ in range(40):
                    run.write(chance.randrange(1, 40))
                    station.shipper.wrote(soon=True)
                run.end()

            threads = [threading.Thread(target=write, args=(run,)) for run in runs]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            station.shipper.wrote(soon=True)
            assert wait_until(lambda: len(numbers(record)) == sum(run.written for run in runs))
            station.stop(LONGEST_WAIT_S)
    check_same(record, path)


def numbers(record: Database) -> list[object]:
    """Return the numbers of all events in the record."""
    query = " UNION ALL ".join(f"SELECT number FROM benchwatch.{table}" for table in EVENTS)
    return [number for (number,) in rows(record, query)]


def test_a_register_that_was_set_back_is_told_by_the_answer(
    tmp_path: Path, server: Broker, record: Database
) -> None:
    """It has as many entries as the record, so that nothing would ever be sent nor refused."""
    path, register = tmp_path / "journal.db", tmp_path / "register.db"
    Journal(path).close()
    RegisterFile(register).add([Draft(kind="unit", unit="a", document={"ident": "a"})])
    backup = register.read_bytes()
    RegisterFile(register).add([Draft(kind="note", unit="a", document={"text": "before"})])
    with (
        connected_keeper(server.port, record),
        sending_station(server.port, path, (), (register,)) as station,
    ):
        assert wait_until(lambda: station.shipper.is_done)
        assert station.shipper.notices == []
    register.write_bytes(backup)
    RegisterFile(register).add([Draft(kind="note", unit="a", document={"text": "after"})])
    with (
        connected_keeper(server.port, record),
        sending_station(server.port, path, (), (register,)) as again,
    ):
        assert wait_until(lambda: again.shipper.notices)
        assert wait_until(lambda: again.shipper.state.refused == 1)

    assert "have different entries 3 of chain" in again.shipper.notices[0]
