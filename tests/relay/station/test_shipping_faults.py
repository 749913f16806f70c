"""A station sends while broker, record and journal suffer what may happen to them."""

import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest
from central_record_kit import rows
from journal_kit import noise
from load_kit import LONGEST_WAIT_S, wait_until
from record_comparison import EVENTS
from server_kit import Broker, Database, broker
from shipping_kit import WrittenRun, check_same, connected_keeper, sending_station

from benchwatch.journal import Journal, damaged_file
from benchwatch.journal.recovery import recover
from benchwatch.relay.station import late_watch


def numbers(record: Database) -> list[object]:
    """Return the numbers of all events in the record."""
    query = " UNION ALL ".join(f"SELECT number FROM benchwatch.{table}" for table in EVENTS)
    return [number for (number,) in rows(record, query)]


@pytest.mark.parametrize("fault", ["kill", "pause"])
def test_faults_of_the_broker_while_events_come(
    tmp_path: Path, record: Database, fault: str
) -> None:
    """A broker that is killed, or stands still, while events are written loses and doubles none."""
    path = tmp_path / "journal.db"
    with (
        broker(tmp_path) as server,
        closing(Journal(path)) as journal,
        connected_keeper(server.port, record),
    ):
        run = WrittenRun(journal)
        run.write(3000)
        with sending_station(server.port, path, [run.key]) as station:
            assert wait_until(lambda: rows(record, "SELECT count(*) FROM benchwatch.runs")[0][0])
            for _ in range(2):
                server.kill() if fault == "kill" else server.pause()
                run.write(200)
                station.shipper.wrote(soon=True)
                assert wait_until(lambda: station.shipper.state.why != "")
                server.start() if fault == "kill" else server.resume()
                run.write(200)
                station.shipper.wrote(soon=True)
            run.end()
            station.shipper.wrote(soon=True)
            assert wait_until(lambda: station.shipper.state.unsent == 0)
            station.stop(LONGEST_WAIT_S)
    check_same(record, path)


def test_a_record_that_was_set_back(tmp_path: Path, server: Broker, record: Database) -> None:
    """A record that lost its newest rows, as after an old backup, is filled up again."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal, connected_keeper(server.port, record):
        run = WrittenRun(journal)
        run.write(2000)
        with sending_station(server.port, path, [run.key]) as station:
            assert wait_until(lambda: station.shipper.state.unsent == 0)
            with record.connect() as connection, connection.transaction():
                for table in EVENTS:
                    query = f"DELETE FROM benchwatch.{table} WHERE number > 700"
                    connection.execute(query.encode())
                connection.execute("UPDATE benchwatch.runs SET has_all_to = 700")
            run.write(1)
            station.shipper.wrote(soon=True)
            assert wait_until(lambda: len(numbers(record)) == 2001)
        run.end()
        with sending_station(server.port, path, [run.key]) as station:
            assert wait_until(lambda: station.shipper.is_done)
    check_same(record, path)


def test_a_journal_that_is_moved_away(tmp_path: Path, server: Broker, record: Database) -> None:
    """The journal that is begun in its place goes on with the same runs, and all gets there."""
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal, connected_keeper(server.port, record):
        run = WrittenRun(journal)
        run.write(100)
        with sending_station(server.port, path, [run.key]) as station:
            assert wait_until(lambda: station.shipper.state.unsent == 0)
            run.write(50)
            path.rename(tmp_path / "moved.db")
            assert wait_until(lambda: run.write(1) or path.exists())
            run.write(10)
            station.shipper.wrote(soon=True)
            assert wait_until(lambda: len(numbers(record)) == run.written)
            run.end()
            station.stop(LONGEST_WAIT_S)
    check_same(record, path)


def test_a_damaged_journal_whose_events_come_back_later(
    tmp_path: Path, server: Broker, record: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Events that a recovery carries over after later ones were sent are sent too."""
    monkeypatch.setattr(late_watch, "LATE_S", 0.3)
    may_recover = threading.Event()
    monkeypatch.setattr(
        damaged_file, "recover", lambda *values: may_recover.wait() and recover(*values)
    )
    path = tmp_path / "journal.db"
    with closing(Journal(path)) as journal:
        run = WrittenRun(journal)
        run.write(1000)
        with (
            connected_keeper(server.port, record),
            sending_station(server.port, path, [run.key]) as station,
        ):
            assert wait_until(lambda: station.shipper.state.unsent == 0)
        run.write(2000)
    path.write_bytes(noise(0, 1)(path.read_bytes()))
    with (
        closing(Journal(path)) as journal,
        connected_keeper(server.port, record),
        sending_station(server.port, path, [run.key], send_within_s=1.0) as station,
    ):
        journal._number = run.written  # as in the program that goes on with the run
        run.go_on(journal)
        run.write(100)
        station.shipper.wrote(soon=True)
        assert wait_until(lambda: len(numbers(record)) == 1100)
        may_recover.set()
        assert wait_until(lambda: len(numbers(record)) == 3100)
        assert wait_until(lambda: not late_runs(path))
    check_same(record, path)


def late_runs(path: Path) -> list[int]:
    """Return the runs of which a journal notes that events were added late."""
    with closing(sqlite3.connect(path)) as connection:
        return [run for (run,) in connection.execute("SELECT run FROM late_events")]


def test_late_events_below_what_was_sent(
    tmp_path: Path, server: Broker, record: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A merge brings events of a run back that was sent without them; they get into the record."""
    monkeypatch.setattr(late_watch, "LATE_S", 0.3)
    whole, path = tmp_path / "whole.db", tmp_path / "journal.db"
    with closing(Journal(whole)) as journal:
        run = WrittenRun(journal)
        run.write(1200)
        run.end()
    with closing(sqlite3.connect(whole)) as source:
        source.execute("VACUUM INTO ?", (str(path),))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DELETE FROM readings WHERE number BETWEEN 100 AND 600")
        connection.commit()
    with connected_keeper(server.port, record), sending_station(server.port, path) as station:
        assert wait_until(lambda: station.shipper.is_done)
        before = len(numbers(record))
        with closing(sqlite3.connect(path, isolation_level=None)) as target:
            added = recover(whole, target).events
        station.shipper.wrote(soon=True)
        assert wait_until(lambda: len(numbers(record)) == before + added)
        assert wait_until(lambda: station.shipper.is_done)
    assert added > 400
    check_same(record, path)
