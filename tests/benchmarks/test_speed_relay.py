"""How soon a keeper that was away for an hour has all, and what a reading costs on its way.

python -m pytest tests/benchmarks/test_speed_relay.py -s
"""

import random
import sqlite3
import sys
import threading
import time
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest
from batch_kit import MADE_RUN, readings
from load_kit import LONGEST_WAIT_S
from paho.mqtt import client as mqtt
from paho.mqtt import subscribe
from record_comparison import RUN
from relay_trial_kit import RelayTrial, assert_complete, come_true, relay_trial
from server_process_kit import Server

from benchwatch.journal import Journal, new_key
from benchwatch.relay.batch import RunBatch, encode
from benchwatch.relay.topics import KEEPER_TOPIC, batch_topic

STATIONS, COUNTERS, READINGS = 20, 2, 3600
"""An hour at a reading a second."""
PROGRAM = Path(__file__).parents[1] / "kits" / "many_shippers_program.py"
ALL = STATIONS * COUNTERS * READINGS


def write_hour(journal: Path, seed: int) -> None:
    """Write an hour's readings of a station into its journal, as if it had ended just now."""
    journal.parent.mkdir(parents=True)
    Journal(journal).close()
    noise = random.Random(seed)
    began_s = time.time() - READINGS
    keys = [new_key(began_s) for _ in range(COUNTERS)]
    with closing(sqlite3.connect(journal)) as connection:
        for place, key in enumerate(keys):
            connection.execute(
                f"INSERT INTO runs ({RUN}) VALUES (?,?,?,'r','scpi',?,'10000000','a counter',"
                "'external',1.0,'{}',?,'interrupted')",
                (key, keys[0], f"made{place}", began_s, began_s + READINGS),
            )
        connection.executemany(
            "INSERT INTO readings VALUES (?,?,?,?,1.0,?,1e-4,'')",
            [
                (
                    keys[number % COUNTERS], number + 1, began_s + second, second,
                    f"{1e7 + noise.gauss(0.05, 1e-3):.4f}",
                )
                for number in range(COUNTERS * READINGS)
                for second in [number / COUNTERS + noise.gauss(0, 1e-4)]
            ],
        )  # fmt: skip
        connection.commit()


class Costs:
    """What the parts of a relay spend from now on.

    Args:
        trial: broker, keeper and database.
        stations: the process that sends; None: what it spends does not count.
    """

    def __init__(self, trial: RelayTrial, stations: Server | None) -> None:
        self._parts: dict[str, Server] = {
            "broker": trial.broker, "keeper": trial.keeper, "database": trial.database.server,
        }  # fmt: skip
        if stations is not None:
            self._parts["stations"] = stations
        self._before = self._cpu_s()

    def words(self, readings: int, without: float = 0.0) -> str:
        """Write the processor time of each part, in seconds for 10^4 readings.

        Args:
            readings: how many were sent meanwhile.
            without: what the stations would have spent anyhow, for 10^4 readings.
        """
        many = readings / 1e4
        spent = {name: (s - self._before[name]) / many for name, s in self._cpu_s().items()}
        if without:
            spent["stations"] -= without
        parts = ", ".join(f"{name} {cpu_s:.3f}" for name, cpu_s in spent.items())
        return f"CPU in s for 10^4: {parts}; together {sum(spent.values()):.3f}"

    def _cpu_s(self) -> dict[str, float]:
        return {name: part.cpu_s for name, part in self._parts.items()}


def bytes_received(port: int) -> int:
    """Return how many bytes the broker has received, by its own count, at most a second old."""
    found = subscribe.simple("$SYS/broker/bytes/received", hostname="127.0.0.1", port=port)
    return int(found.payload)


def copy_s(url: str, journals: list[Path]) -> float:
    """Return how long a plain COPY of the same readings into one table takes, in seconds."""
    rows = []
    for run_id, journal in enumerate(journals):
        with closing(sqlite3.connect(journal)) as connection:
            rows += [
                (2 * run_id + row[1] % 2, *row[1:])
                for row in connection.execute("SELECT * FROM readings LIMIT 7200")
            ]
    with psycopg.connect(url) as connection:
        connection.execute(
            "CREATE TABLE plain (run_id int4, number int8, utc_s float8, elapsed_s float8,"
            " gate_s float8, text text, resolution_hz float8, flags text,"
            " PRIMARY KEY (run_id, number))"
        )
        connection.commit()
        began_s = time.perf_counter()
        with connection.cursor().copy("COPY plain FROM STDIN") as copy:
            for row in rows:
                copy.write_row(row)
        connection.commit()
        return time.perf_counter() - began_s


@pytest.mark.timeout(300)
def test_an_hour_without_a_keeper_is_caught_up(tmp_path: Path) -> None:
    """Print seconds, readings a second, bytes on the line, and the ratio to a plain COPY."""
    journals = [
        tmp_path / "stations" / f"tide-{number:03d}" / "journal.sqlite"
        for number in range(1, STATIONS + 1)
    ]
    for number, journal in enumerate(journals):
        write_hour(journal, number)
    with relay_trial(tmp_path) as trial:
        trial.keeper.kill()
        stations = trial.add_stations(STATIONS, "--counters", "1", "--every", "1h")
        plain_s = copy_s(trial.database.url, journals)
        had_bytes = bytes_received(trial.broker.port)
        trial.keeper.start()
        costs = Costs(trial, stations)
        began_s = time.perf_counter()
        assert come_true(lambda: trial.count() > 0)
        first_s = time.perf_counter() - began_s
        assert come_true(lambda: trial.count() >= ALL)
        all_s = time.perf_counter() - began_s
        words = costs.words(ALL)
        time.sleep(1.5)  # until the broker has counted the last bytes
        line_bytes = (bytes_received(trial.broker.port) - had_bytes) / ALL
        trial.end_stations()
        assert_complete(trial, least=ALL)
    took_s = all_s - first_s
    print(
        f"\n{ALL} readings of {STATIONS} stations in {took_s:.1f} s ({ALL / took_s:.0f}/s), and "
        f"{first_s:.1f} s before for the start of the keeper; {line_bytes:.1f} bytes a reading on "
        f"the line; {took_s / plain_s:.1f} times a plain COPY ({plain_s:.2f} s)\n{words}"
    )


LIVE_S = 20.0


class ManyShippers(Server):
    """A process of `many_shippers_program`: stations that write and send, and watch nothing."""

    def __init__(self, folder: Path, relay: str, stations: int) -> None:
        folder.mkdir()
        words = [sys.executable, str(PROGRAM), str(folder), relay, str(stations), "10"]
        log = f"shippers_{bool(relay)}"
        super().__init__(words, folder, 0, lambda: "started" in self.end_of_log(), log=log)


@pytest.mark.timeout(300)
def test_what_few_stations_cost(tmp_path: Path) -> None:
    """Print the processor time of readings that real stations send in batches of 10."""
    stations = 20
    alone = ManyShippers(tmp_path / "alone", "", stations)
    alone.start()
    before_s = alone.cpu_s
    time.sleep(LIVE_S / 2)
    alone_s = (alone.cpu_s - before_s) / (stations * 10 * LIVE_S / 2) * 1e4
    alone.stop()
    with relay_trial(tmp_path) as trial:
        sending = ManyShippers(tmp_path / "sending", trial.relay, stations)
        sending.start()
        try:
            assert trial.grows(by=20 * stations)
            had, had_bytes = trial.count(), bytes_received(trial.broker.port)
            costs = Costs(trial, sending)
            time.sleep(LIVE_S)
            readings = trial.count() - had
            words = costs.words(readings, without=alone_s)
            line_bytes = (bytes_received(trial.broker.port) - had_bytes) / readings
        finally:
            sending.stop()
    print(
        f"\n{readings / LIVE_S:.0f} readings/s of {stations} stations, 10 in a batch: "
        f"{line_bytes:.1f} bytes each on the line\n{words}"
    )


@pytest.mark.timeout(300)
@pytest.mark.parametrize("stations", [200, 1000])
def test_what_many_stations_cost(tmp_path: Path, stations: int) -> None:
    """Print the processor time for so many batches of 10 readings a second, made by one sender."""
    runs = [replace(MADE_RUN, key=number + 1) for number in range(stations)]
    topics = [batch_topic(f"load-{number:04d}") for number in range(stations)]
    with relay_trial(tmp_path) as trial:
        sender = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        is_taken = threading.Event()
        sender.on_message = lambda *_: is_taken.set()
        sender.connect("127.0.0.1", trial.broker.port)
        sender.subscribe(KEEPER_TOPIC)
        sender.loop_start()
        trial.keeper.kill()
        trial.keeper.start()
        assert is_taken.wait(LONGEST_WAIT_S)
        costs, had, had_bytes = None, 0, 0
        next_s = began_s = time.monotonic()
        for second in range(int(LIVE_S)):
            if second == 5:  # then days are made, and statements prepared
                costs, had, began_s = Costs(trial, None), trial.count(), time.monotonic()
                had_bytes = bytes_received(trial.broker.port)
            for run, topic in zip(runs, topics, strict=True):
                after = 10 * second
                batch = RunBatch(run, after, after + 10, readings(after + 1, 10))
                sender.publish(topic, encode(batch), qos=0)
                next_s += 1.0 / stations
                time.sleep(max(next_s - time.monotonic(), 0.0))
        sent_s = time.monotonic() - began_s
        total = stations * 10 * int(LIVE_S)
        assert come_true(lambda: trial.count() >= total)
        late_s = time.monotonic() - began_s - sent_s
        assert costs is not None
        words, line_bytes = costs.words(total - had), bytes_received(trial.broker.port) - had_bytes
        sender.loop_stop()
    print(
        f"\n{(total - had) / sent_s:.0f} readings/s, {stations} batches of 10 a second: all there "
        f"{late_s:.1f} s after the last; {line_bytes / (total - had):.1f} bytes each on the line\n"
        f"{words}"
    )
