"""Made stations that send one batch a second each, and measure how long answers take.

    python keeper_load_program.py PORT STATIONS READINGS SECONDS

Batches are written before the first is sent. Standard output gets one JSON object at the end.
"""

import json
import statistics
import sys
import threading
import time
from dataclasses import replace
from functools import partial

from batch_kit import MADE_RUN

from benchwatch.relay.answers import decode_answer
from benchwatch.relay.batch import RunBatch, encode
from benchwatch.relay.broker_address import parse_broker
from benchwatch.relay.broker_connection import BrokerConnection
from benchwatch.relay.topics import batch_topic, read_topic

CONNECTIONS = 2
UNDER_WAY = 5000
"""Messages of a connection without an acknowledgement; a station has a few on its own one."""
LEAST_WAIT_S = 0.005
"""A message may go out so much too soon: a wait for each would cost more than the message."""
LAST_S = 5.0
"""Longest wait for the last answers."""


def made_batches(station: int, readings: int, seconds: int, began_s: float) -> list[bytes]:
    """Return the batches of a station, one a second, with times and offsets like real ones."""
    run = replace(MADE_RUN, key=1_790_000_000_000 + station)
    batches = []
    for second in range(seconds):
        first = second * readings + 1
        rows = [
            (number, round(began_s + number / readings + 1e-4 * (number * 7919 % 97), 6),
             round(number / readings + 1e-4 * (number * 7919 % 97), 6), 0.1,
             f"10000000.{(station * 31 + number * 7919) % 10**6:06}", 1e-6, "")
            for number in range(first, first + readings)
        ]  # fmt: skip
        batches.append(encode(RunBatch(run, first - 1, first + readings - 1, rows)))
    return batches


class Load:
    """Sends, and takes the time of each answer."""

    def __init__(self, port: int, readings: int) -> None:
        self._readings = readings
        self._sent_s: dict[str, dict[int, float]] = {}
        self.waits_s: list[float] = []
        self.sent = self.not_sent = 0
        address = parse_broker(f"mqtt://127.0.0.1:{port}")
        ready = threading.Semaphore(0)
        self.connections = [
            BrokerConnection(
                address, client_id=f"load-{place}", on_connected=ready.release,
                on_message=self._heard, on_lost=partial(print, file=sys.stderr),
                subscriptions=(("bw/1/+/ack", 0),) if not place else (),
            )
            for place in range(CONNECTIONS + 1)
        ]  # fmt: skip
        for connection in self.connections:
            connection.start()
        for _ in self.connections:
            assert ready.acquire(timeout=30.0), "no broker answers"
        for connection in self.connections:
            connection._client._max_inflight_messages = UNDER_WAY

    def _heard(self, topic: str, payload: bytes) -> None:
        now_s = time.monotonic()
        read = read_topic(topic)
        assert read is not None
        waiting = self._sent_s.get(read.station, {})
        for _, has_all_to in decode_answer(payload).runs:
            for to in [to for to in tuple(waiting) if to <= has_all_to]:
                self.waits_s.append(now_s - waiting.pop(to))

    def send(self, place: int, payload: bytes, second: int) -> None:
        """Send the batch of a station."""
        station = f"load-{place:05}"
        self._sent_s.setdefault(station, {})[(second + 1) * self._readings] = time.monotonic()
        connection = self.connections[1 + place % CONNECTIONS]
        if connection.publish(batch_topic(station), payload, qos=1, expiry_s=30):
            self.sent += 1
        else:
            self.not_sent += 1


def main() -> None:
    """Send at an even pace, and print what came of it."""
    sys.setswitchinterval(0.0002)
    port, stations, readings, seconds = map(int, sys.argv[1:])
    batches = [made_batches(one, readings, seconds, time.time()) for one in range(stations)]
    load = Load(port, readings)
    began_s = time.monotonic()
    for place in range(stations * seconds):
        due_s = began_s + place / stations
        wait_s = due_s - time.monotonic()
        if wait_s > LEAST_WAIT_S:
            time.sleep(wait_s)
        second, station = divmod(place, stations)
        load.send(station, batches[station][second], second)
    took_s = time.monotonic() - began_s
    ended_s = time.monotonic() + LAST_S
    while len(load.waits_s) < load.sent and time.monotonic() < ended_s:
        time.sleep(0.01)
    for connection in load.connections:
        connection.stop(1.0)
    waits = sorted(load.waits_s)
    print(
        json.dumps({
            "sent": load.sent, "not_sent": load.not_sent, "answered": len(waits),
            "took_s": took_s, "own_s": time.process_time(),
            "p50_ms": 1e3 * statistics.median(waits),
            "p99_ms": 1e3 * waits[int(0.99 * (len(waits) - 1))],
            "bytes": statistics.mean(len(one[0]) for one in batches) / readings,
        })
    )  # fmt: skip


if __name__ == "__main__":
    main()
