"""Speed of the keeper: thousands of stations at once, groups against single batches, and bytes.

    python -m pytest tests/benchmarks/test_speed_keeper.py -s

Everything runs on this machine: broker, database (which waits for its disk), keeper and stations.
"""

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import psutil
import pytest
from central_record_kit import made_record, reading, rows, sent
from load_kit import wait_until
from program_kit import start_program
from server_kit import Broker, Database, broker, database

from benchwatch.central_record.batches import SentEvents
from benchwatch.central_record.group_writer import GroupWriter
from benchwatch.central_record.record_address import parse_record
from benchwatch.central_record.record_connection import connect

STATIONS, SECONDS = 2000, 10
MEDIAN_MS, KEEPER_S, CHAIN_S, BYTES = 150.0, 0.17, 0.3, 160.0
"""Targets: median from batch to answer; processor time for 10^4 readings, of the keeper, and of
keeper, database and broker together; bytes of a reading."""
KITS = Path(__file__).parents[1] / "kits"
SETTINGS = ("shared_buffers=256MB", "max_wal_size=2GB", "checkpoint_timeout=5min")


@pytest.fixture
def record(tmp_path: Path) -> Database:
    """Return a central record in a server of its own."""
    with database(own_server=True, settings=SETTINGS) as made:
        made_record(made)
        yield made


def loaded(folder: Path, record: Database, stations: int, readings: int) -> None:
    """Let made stations send for a while; print what was committed, how soon, and what it took."""
    config = (
        "listener {port} 127.0.0.1\nallow_anonymous true\n"
        "max_queued_messages 0\nmax_inflight_messages 0\n"
    )
    with broker(folder, config=config) as server:
        words = ("keep", record.url, "--broker", f"mqtt://127.0.0.1:{server.port}")
        with start_program(*words) as keeper:
            try:
                print_load(server, record, keeper, stations, readings)
            finally:
                keeper.terminate()
                keeper.communicate()


def print_load(
    server: Broker, record: Database, keeper: "subprocess.Popen[str]", stations: int, readings: int
) -> None:
    """Run the load beside a keeper."""
    query = "SELECT 1 FROM pg_stat_activity WHERE application_name = 'benchwatch keep'"
    assert wait_until(lambda: rows(record, query))
    process, before_rows = psutil.Process(keeper.pid), count(record)
    before = sum(process.cpu_times()[:2]), record.server.cpu_s, server.cpu_s
    load = subprocess.run(
        [sys.executable, str(KITS / "keeper_load_program.py"), str(server.port), str(stations),
         str(readings), str(SECONDS)],
        capture_output=True, text=True, check=True, timeout=180,
        env={**os.environ, "PYTHONPATH": kits_path()},
    )  # fmt: skip
    found = json.loads(load.stdout)
    after = sum(process.cpu_times()[:2]), record.server.cpu_s, server.cpu_s
    committed = count(record) - before_rows
    per = 1e4 / max(committed, 1)
    keeper_s, server_s, broker_s = (
        (end - begin) * per for begin, end in zip(before, after, strict=True)
    )
    print(
        f"\n{stations} stations x {readings}/s: sent {found['sent'] * readings}, committed "
        f"{committed} ({committed / found['took_s']:.0f}/s; answered {found['answered']} of "
        f"{found['sent']} batches, {found['not_sent']} found no room)\n"
        f"  batch to answer: median {found['p50_ms']:.0f} ms (target {MEDIAN_MS:.0f}), "
        f"p99 {found['p99_ms']:.0f} ms\n"
        f"  CPU for 10^4: keeper {keeper_s:.3f} s (target {KEEPER_S}), database {server_s:.3f} s, "
        f"broker {broker_s:.3f} s, together {keeper_s + server_s + broker_s:.3f} s "
        f"(target {CHAIN_S}), stations {found['own_s'] * per:.3f} s; "
        f"{psutil.Process(keeper.pid).memory_info().rss / 1e6:.0f} MB keeper; "
        f"{found['bytes']:.0f} bytes a reading on the line; load {os.getloadavg()[0]:.1f}"
    )


def kits_path() -> str:
    """Return where a program of the tests finds the kits."""
    return os.pathsep.join(str(KITS / name) for name in (".", "counters", "made"))


def count(record: Database) -> int:
    """Return the number of readings."""
    return int(rows(record, "SELECT count(*) FROM benchwatch.readings")[0][0])


def test_many_stations(record, tmp_path):
    """A batch of ten readings a second from each of 2000 stations, and bytes of a reading."""
    loaded(tmp_path, record, STATIONS, 10)
    size, number = rows(
        record,
        "SELECT sum(pg_total_relation_size(inhrelid)), (SELECT count(*) FROM benchwatch.readings)"
        " FROM pg_inherits WHERE inhparent = 'benchwatch.readings'::regclass",
    )[0]
    print(f"  bytes of a reading with its index: {float(size) / number:.0f} (target {BYTES:.0f})")


@dataclass(frozen=True, slots=True)
class Cost:
    """What a way of writing took for 10^4 readings."""

    rows_per_s: float
    writer_s: float
    server_s: float


def cost(record: Database, readings: int, work: Callable[[], object]) -> Cost:
    """Measure some work that writes so many readings."""
    before = time.process_time(), record.server.cpu_s, time.monotonic()
    work()
    took_s = time.monotonic() - before[2]
    per = 1e4 / readings
    return Cost(
        readings / took_s, per * (time.process_time() - before[0]),
        per * (record.server.cpu_s - before[1]),
    )  # fmt: skip


def batches(stations: int, first: int) -> list[SentEvents]:
    """Return a batch of ten readings of each station."""
    made = [reading(number) for number in range(first, first + 10)]
    return [sent(rows=made, after=first - 1, station=f"made-{one:05}") for one in range(stations)]


def test_ways_of_writing(record):
    """One statement for a group, a transaction for each batch, and COPY without a key."""
    address = parse_record(record.url)
    groups = [batches(STATIONS, first) for first in range(1, 102, 10)]
    resent = groups[3]
    plain = [(1, *row) for group in groups[:5] for one in group for row in one.batch.readings]
    with connect(address, "test", statement_timeout="0") as connection:
        writer = GroupWriter(connection, address)
        writer.write(groups[0])  # makes the runs
        connection.execute("CREATE UNLOGGED TABLE keyless (LIKE benchwatch.readings)")

        def copy() -> None:
            with connection.cursor().copy(
                "COPY keyless (run_id, number, utc_s, elapsed_s, gate_s, text, resolution_hz,"
                " flags) FROM STDIN"
            ) as stream:
                for row in plain:
                    stream.write_row(row)

        each = STATIONS * 10
        costs = {
            "groups of 2000 batches": cost(
                record, 8 * each, lambda: [writer.write(group) for group in groups[1:9]]
            ),
            "groups of 200 batches": cost(
                record, each,
                lambda: [writer.write(groups[9][first : first + 200])
                         for first in range(0, STATIONS, 200)],
            ),
            "batch by batch (300 of them)": cost(
                record, 3000, lambda: [writer.write([one]) for one in groups[10][:300]]
            ),
            "a group that is there already": cost(record, each, lambda: writer.write(resent)),
            "COPY, no key, no log": cost(record, len(plain), copy),
        }  # fmt: skip
    print(f"\nload {os.getloadavg()[0]:.1f}; for 10^4 readings")
    first = costs["groups of 2000 batches"]
    for name, one in costs.items():
        print(
            f"  {name:<30} {one.rows_per_s:9.0f} rows/s ({one.rows_per_s / first.rows_per_s:5.2f} "
            f"of the first), writer {one.writer_s:.3f} s, database {one.server_s:.3f} s"
        )
