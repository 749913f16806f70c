"""``benchwatch simulate chain``: stations in one process, their journals, and their faults."""

import json
import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from load_kit import wait_until
from paho.mqtt import client as mqtt
from program_kit import run_program, start_program
from server_kit import broker
from simulated_kit import ask_control_port


@contextmanager
def started(folder: Path, *options: str, stations: int = 2) -> Iterator[dict[str, Any]]:
    """Yield the JSON line of each station by its name, and end the stations."""
    words = ("--stations", str(stations), "--every", "100ms", "--seed", "1", "--json", *options)
    running = start_program("simulate", "chain", str(folder), *words)
    assert running.stdout is not None
    try:
        lines = [json.loads(running.stdout.readline()) for _ in range(stations)]
        yield {line["name"]: line for line in lines}
        running.send_signal(signal.SIGINT)
        _, narration = running.communicate(timeout=60)
        assert running.returncode == 130, narration
    finally:
        running.kill()
        running.communicate()


def rows(station: dict[str, Any], query: str) -> list[Any]:
    """Ask the journal of a station, without the product's code."""
    with closing(sqlite3.connect(f"file:{station['journal']}?mode=ro", uri=True)) as connection:
        return connection.execute(query).fetchall()


def readings(station: dict[str, Any]) -> int:
    """Return how many readings are in the journal of a station."""
    return int(rows(station, "SELECT count(*) FROM readings")[0][0])


def test_each_station_has_a_folder_and_a_journal_with_its_readings(tmp_path: Path) -> None:
    """Two counters each, of a warming and a warm unit; the runs end with the program."""
    with started(tmp_path, "--first", "7") as stations:
        assert list(stations) == ["tide-007", "tide-008"]
        assert wait_until(lambda: all(readings(station) >= 6 for station in stations.values()))
    for name, station in stations.items():
        assert Path(station["journal"]) == tmp_path / name / "journal.sqlite"
        runs = rows(station, "SELECT counter, end_reason, resource FROM runs ORDER BY counter")
        assert [run[:2] for run in runs] == [("main", "interrupted"), ("spare", "interrupted")]
        assert [run[2] for run in runs] == [f"chain::{name}::main", f"chain::{name}::spare"]
        texts = [float(text) for (text,) in rows(station, "SELECT text FROM readings")]
        assert all(abs(hertz - 1e7) < 10 for hertz in texts)
    assert rows(stations["tide-007"], "SELECT text FROM readings") != rows(
        stations["tide-008"], "SELECT text FROM readings"
    )


def test_a_station_without_power_comes_back_with_new_runs(tmp_path: Path) -> None:
    """The run that was cut off has no end; the other station goes on."""
    with started(tmp_path) as stations:
        port = stations["tide-001"]["control_port"]
        assert wait_until(lambda: readings(stations["tide-001"]) >= 2)
        assert ask_control_port(port, "power off tide-001") == "ok"
        before = readings(stations["tide-002"])
        assert wait_until(lambda: readings(stations["tide-002"]) >= before + 4)
        assert ask_control_port(port, "readings tide-001") == "0"
        assert ask_control_port(port, "power on tide-001") == "ok"
        assert wait_until(lambda: int(ask_control_port(port, "readings tide-001")) >= 2)
    ends = rows(stations["tide-001"], "SELECT end_reason FROM runs ORDER BY started_utc_s")
    assert [end for (end,) in ends] == ["", "", "interrupted", "interrupted"]
    assert len(rows(stations["tide-002"], "SELECT 1 FROM runs")) == 2


def test_a_full_disk_and_a_wrong_clock_are_in_the_journal(tmp_path: Path) -> None:
    """Readings wait in memory while the disk is full, and are written when it is free again."""
    with started(tmp_path) as stations:
        station, port = stations["tide-001"], stations["tide-001"]["control_port"]
        asked = "SELECT count(*) FROM readings WHERE utc_s > unixepoch() + 5000"
        assert ask_control_port(port, "clock 3h tide-001") == "ok"
        assert wait_until(lambda: rows(station, asked)[0][0] >= 2)
        assert ask_control_port(port, "clock 0 tide-001") == "ok"
        assert ask_control_port(port, "disk full tide-001") == "ok"

        def lag() -> int:
            return int(ask_control_port(port, "readings tide-001")) - readings(station)

        assert wait_until(lambda: lag() >= 10)
        assert ask_control_port(port, "disk free tide-001") == "ok"
        assert wait_until(lambda: lag() <= 2)
    assert rows(stations["tide-002"], asked) == [(0,)]


def test_faults_happen_at_their_times_and_are_narrated(tmp_path: Path) -> None:
    """Counters that fall silent after their first readings leave a gap each."""
    # The later ones are for a computer so busy that nothing was read before the first.
    faults = [word for at_s in (2, 12, 40) for word in ("--fault", f"silent@{at_s}s+1s")]
    words = ("--stations", "1", "--every", "100ms", *faults)
    running = start_program("simulate", "chain", str(tmp_path), *words)
    assert running.stdout is not None
    try:
        name, _, journal = running.stdout.readline().strip().partition(" ")
        asked = "SELECT count(DISTINCT run) FROM gaps"
        assert wait_until(lambda: rows({"journal": journal}, asked) == [(2,)])
        running.send_signal(signal.SIGINT)
        _, narration = running.communicate(timeout=60)
    finally:
        running.kill()
        running.communicate()

    assert name == "tide-001"
    assert "all stations: the counters give no readings (1 s)." in narration
    assert "all stations: 'silent' is over." in narration


def test_a_cut_link_and_a_power_cut_are_seen_at_the_broker(tmp_path: Path) -> None:
    """Each leaves without a word, so the broker tells it by the will; then the station is back."""
    heard: dict[str, list[bool]] = {"tide-001": [], "tide-002": []}
    listener = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    listener.on_message = lambda _client, _user, message: heard[message.topic.split("/")[2]].append(
        json.loads(message.payload)["here"]
    )
    (tmp_path / "broker").mkdir()
    with broker(tmp_path / "broker") as carrier:
        listener.connect("127.0.0.1", carrier.port)
        listener.subscribe("bw/1/+/here", qos=1)
        listener.loop_start()
        with started(tmp_path, "--relay", f"mqtt://127.0.0.1:{carrier.port}") as stations:
            port = stations["tide-001"]["control_port"]
            for off, on, name in (
                ("link off tide-001", "link on tide-001", "tide-001"),
                ("power off tide-002", "power on tide-002", "tide-002"),
            ):
                assert wait_until(lambda name=name: heard[name][-1:] == [True])
                assert ask_control_port(port, off) == "ok"
                assert wait_until(lambda name=name: heard[name][-1:] == [False])
                assert ask_control_port(port, on) == "ok"
                assert wait_until(lambda name=name: heard[name][-1:] == [True])
            assert heard["tide-001"].count(False) == heard["tide-002"].count(False) == 1
        listener.loop_stop()


def test_without_a_folder_nothing_is_left(tmp_path: Path) -> None:
    """`--for` ends the stations with exit code 0; their temporary folder goes."""
    words = ("simulate", "chain", "--stations", "1", "--for", "500ms")
    done = run_program(*words, TMPDIR=str(tmp_path))

    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(f"tide-001 {tmp_path}")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--fault", "tide-050=off@1s"], "there is no station 'tide-050': they are tide-001"),
        (["--fault", "mute@1s"], "there is no fault 'mute'"),
        (["--first", "990"], "number above 999"),
        (["--every", "1ms"], "--every is at least 10 ms"),
        (["--relay-identity", "."], "--relay says to which broker"),
        (["--relay", "mqtts://broker.example"], "must know who sends: add --relay-identity DIR"),
    ],
)
def test_what_makes_no_sense_is_refused(words: list[str], expected: str) -> None:
    """A sentence, before any station is started."""
    refused = run_program("simulate", "chain", *words)

    assert refused.returncode == 2
    assert expected in refused.stderr
    assert refused.stdout == ""


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    """A file is in its place."""
    (tmp_path / "tide-001").write_text("", "utf-8")
    refused = run_program("simulate", "chain", str(tmp_path), "--stations", "1")

    assert refused.returncode == 5
    assert "can't be made" in refused.stderr
