"""Many stations in one process that only write their journals and send them, for benchmarks.

Each writes readings once a second in one transaction, so that they go in batches; nothing is
watched, and so nearly all that is spent is spent on sending.

Arguments:
    folder, URL of the broker (empty: nothing is sent), number of stations, readings a second each.
"""

import random
import sqlite3
import sys
import time
from pathlib import Path
from typing import Any

from record_comparison import RUN

from benchwatch.journal import Journal, new_key
from benchwatch.relay.broker_address import parse_broker
from benchwatch.relay.broker_listener import connection_for
from benchwatch.relay.station.shipper import Shipper


class Station:
    """A journal with one run, and what sends it."""

    def __init__(self, folder: Path, name: str, relay: str) -> None:
        journal = folder / name / "journal.sqlite"
        journal.parent.mkdir(parents=True)
        Journal(journal).close()
        self._key, self._number = new_key(time.time()), 0
        self._journal = sqlite3.connect(journal, check_same_thread=False)
        self._journal.execute("PRAGMA synchronous = NORMAL")
        self._journal.execute(
            f"INSERT INTO runs ({RUN}) VALUES (?,?,'main','r','scpi',?,'10000000','a counter',"
            "'external',0.1,'{}',NULL,'')",
            (self._key, self._key, time.time()),
        )
        self._journal.commit()
        self._shipper: Shipper | None = None
        if relay:
            self._send(name, journal, relay)

    def _send(self, name: str, journal: Path, relay: str) -> None:
        self._shipper = Shipper(name, journal, own_runs=lambda: (self._key,), publish=self._publish)
        self._connection = connection_for(self._shipper, parse_broker(relay), client_id=name)
        self._connection.start()
        self._shipper.start()

    def _publish(self, topic: str, payload: bytes, **how: Any) -> bool:
        return self._connection.publish(topic, payload, **how)

    def write(self, readings: int) -> None:
        """Write so many readings, and let them be sent."""
        utc_s = time.time()
        rows = []
        for place in range(readings):
            self._number += 1
            at_s, text = utc_s + place / readings, f"{1e7 + random.gauss(0.05, 1e-3):.4f}"
            rows.append((self._key, self._number, at_s, float(self._number), 0.1, text, 1e-4, ""))
        with self._journal:
            self._journal.executemany("INSERT INTO readings VALUES (?,?,?,?,?,?,?,?)", rows)
        if self._shipper is not None:
            self._shipper.wrote(soon=True)


def main(folder: str, relay: str, stations: str, readings: str) -> None:
    """Write and send until the process is ended."""
    many = int(stations)
    made = [Station(Path(folder), f"load-{number:04d}", relay) for number in range(many)]
    print("started", flush=True)
    next_s = time.monotonic()
    while True:
        for station in made:
            station.write(int(readings))
            next_s += 1.0 / many
            time.sleep(max(next_s - time.monotonic(), 0.0))


if __name__ == "__main__":
    main(*sys.argv[1:])
