"""``relay send``: a journal is sent until the record has all of it, or it is said why not."""

import json
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from load_kit import Stopwatch
from record_comparison import compare_record
from server_kit import Database, broker
from shipping_kit import WrittenRun, connected_keeper
from socket_kit import kept_port

from benchwatch.errors import LinkLost
from benchwatch.journal import Journal
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.station import journal_sender
from benchwatch.relay.station.journal_sender import JournalSender
from benchwatch.relay.station.shipper import Shipper
from benchwatch.relay.station.shipping_state import ShippingState
from benchwatch.relay.station.station_relay import RelayOptions


def made_journal(path: Path) -> None:
    """Write a journal of two runs."""
    with closing(Journal(path)) as journal:
        for _ in range(2):
            run = WrittenRun(journal)
            run.write(800)
            run.end()


def send(path: Path, port: int, *more: str) -> "subprocess.Popen[str]":
    """Start the command."""
    words = ["relay", "send", str(path), "--relay", f"mqtt://127.0.0.1:{port}", "--station", "tide"]
    return subprocess.Popen(
        [sys.executable, "-m", "benchwatch.cli", *words, *more],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def test_an_archive_is_sent(tmp_path: Path, record: Database) -> None:
    """All of it gets into the record, which is said; a second time nothing is left to do."""
    path = tmp_path / "archive.db"
    made_journal(path)
    with broker(tmp_path) as server, connected_keeper(server.port, record):
        sending = send(path, server.port)
        printed, said = sending.communicate()
        assert sending.returncode == 0, said
        assert printed == f"the central record has all of 2 runs of {path}.\n"
        printed, _ = send(path, server.port, "--json").communicate()
        assert json.loads(printed) == {
            "kind": "sent", "journal": str(path), "station": "tide", "runs": 2, "still_written": 0,
        }  # fmt: skip
    found = compare_record(record.url, {"tide": [path]})
    assert found.is_clean, str(found)


def test_a_broker_that_is_not_there(tmp_path: Path) -> None:
    """It ends with a sentence and the exit code of a connection that failed."""
    path = tmp_path / "archive.db"
    made_journal(path)
    with kept_port() as port:
        sending = send(path, port)
        _, said = sending.communicate()

    assert sending.returncode == 3
    assert "no broker listens at mqtt://127.0.0.1" in said


@pytest.mark.parametrize("content", [None, b"no journal"])
def test_what_is_no_journal(tmp_path: Path, content: bytes | None) -> None:
    """A missing file and one of another kind end with a sentence."""
    path = tmp_path / "other.db"
    if content is not None:
        path.write_bytes(content)
    with kept_port() as port:
        sending = send(path, port)
        _, said = sending.communicate()

    assert sending.returncode == 5
    assert str(path) in said
    assert "Traceback" not in said


def test_no_keeper_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nothing answers it ends after a while, with the exit code of a lost link."""
    monkeypatch.setattr(journal_sender, "GIVE_UP_S", 0.5)
    path = tmp_path / "archive.db"
    made_journal(path)
    with broker(tmp_path) as server:
        address = BrokerAddress("127.0.0.1", server.port, tls=False)
        sender = JournalSender(RelayOptions(address=address, station="tide"), path, print)
        with pytest.raises(LinkLost, match="given up after") as caught:
            sender.send()

    assert caught.value.exit_code == 4


def test_a_link_that_was_lost_is_no_reason_to_spin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While it is made again, how far it got is looked at as seldom as before."""
    looks: list[None] = []
    monkeypatch.setattr(Shipper, "is_done", property(lambda _: looks.append(None)))
    monkeypatch.setattr(journal_sender, "GIVE_UP_S", 0.5)
    path = tmp_path / "archive.db"
    made_journal(path)
    address = BrokerAddress("127.0.0.1", 1883, tls=False)
    sender = JournalSender(RelayOptions(address=address, station="tide"), path, print)
    sender.connected()
    sender.lost("the line was cut")
    watch = Stopwatch()
    with pytest.raises(LinkLost, match="given up after"):
        sender._wait()

    assert len(looks) <= 2 + watch.elapsed_s / journal_sender._LOOK_S


def test_an_interruption(tmp_path: Path) -> None:
    """Ctrl-C ends it with 130, and without a traceback."""
    path = tmp_path / "archive.db"
    made_journal(path)
    with broker(tmp_path) as server:
        sending = send(path, server.port)
        assert sending.stderr is not None
        first = sending.stderr.readline()
        assert "sends" in first
        sending.send_signal(signal.SIGINT)
        _, said = sending.communicate()

    assert sending.returncode == 130
    assert "Traceback" not in said


def test_a_run_that_is_still_written_is_left_to_its_program(
    tmp_path: Path, record: Database
) -> None:
    """A run that another program writes is not sent, and this is said."""
    path = tmp_path / "journal.db"
    made_journal(path)
    with (
        broker(tmp_path) as server,
        connected_keeper(server.port, record),
        closing(Journal(path)) as one,
    ):
        WrittenRun(one)  # its process is this one, which is alive and runs the program's code
        with closing(sqlite3.connect(path)) as connection:
            now = "UPDATE runs SET started_utc_s = unixepoch() WHERE ended_utc_s IS NULL"
            connection.execute(now)
            connection.commit()
        sending = send(path, server.port)
        printed, said = sending.communicate()

    assert sending.returncode == 0, said
    assert "all of 2 runs" in printed
    assert "not of 1 run that a program still writes" in printed


def test_sending_late_events_again_is_no_standstill() -> None:
    """Nothing is unsent meanwhile, for it was sent without them; each answer is progress."""
    before = ShippingState(connected=True, unsent=0, taken=3)
    assert not journal_sender._has_moved(before, ShippingState(connected=True, unsent=0, taken=3))
    assert journal_sender._has_moved(before, ShippingState(connected=True, unsent=0, taken=4))
