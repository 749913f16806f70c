"""A keeper on a thread of the test, with a sender that records what it is given."""

import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace

from batch_kit import MADE_RUN
from central_record_kit import reading
from load_kit import wait_until
from server_kit import Database

from benchwatch.central_record.record_address import parse_record
from benchwatch.relay.answers import Answer, decode_answer
from benchwatch.relay.batch import Question, RunBatch, encode
from benchwatch.relay.keeper.keeper import Keeper
from benchwatch.relay.topics import KEEPER_TOPIC, batch_topic, read_topic


class FakeSender:
    """Takes what the keeper sends, in place of a connection to a broker."""

    connected = True

    def __init__(self) -> None:
        self.sent: list[tuple[str, bytes]] = []

    def publish(self, topic: str, payload: bytes) -> bool:
        """Record a message."""
        self.sent.append((topic, payload))
        return True

    def publish_all(self, messages: Iterable[tuple[str, bytes]]) -> bool:
        """Record messages."""
        return all(self.publish(*message) for message in messages)


class RunningKeeper:
    """A keeper, what it said and what it answered.

    Args:
        database: the central record.
        url: its address with another role than the owner; None: as the owner.

    Attributes:
        error: what ended it, if anything did.
    """

    def __init__(self, database: Database, url: str | None = None) -> None:
        self.said: list[str] = []
        self.sender = FakeSender()
        self.error: Exception | None = None
        self.keeper = Keeper(parse_record(url or database.url), self.said.append)
        self.keeper.sender = self.sender
        self.thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        try:
            self.keeper.run()
        except Exception as error:  # noqa: BLE001 - looked at by the test
            self.error = error

    @property
    def takes(self) -> int:
        """How often it has told the stations that it takes batches."""
        return sum(topic == KEEPER_TOPIC for topic, _ in list(self.sender.sent))

    def answers(self, station: str = "tide-007") -> list[Answer]:
        """Return what a station was answered."""
        return [
            decode_answer(payload)
            for topic, payload in list(self.sender.sent)
            if (read := read_topic(topic)) and (read.station, read.kind) == (station, "ack")
        ]

    def send(self, payload: bytes, station: str = "tide-007") -> None:
        """Let a station's message arrive."""
        self.keeper.heard(batch_topic(station), payload)

    def send_until_answered(self, payload: bytes, station: str = "tide-007") -> Answer:
        """Let a message arrive, again when it was dropped meanwhile; return its answer."""
        before = len(self.answers(station))
        for _ in range(100):
            took = self.takes
            self.send(payload, station)
            # A keeper that begins to take batches may have dropped it.
            came = wait_until(lambda took=took: self.answers(station)[before:] or self.takes > took)
            assert came, self.said
            if answers := self.answers(station)[before:]:
                return answers[-1]
        raise AssertionError(self.said)


@contextmanager
def running_keeper(database: Database) -> Iterator[RunningKeeper]:
    """Run a keeper that takes batches."""
    running = RunningKeeper(database)
    running.thread.start()
    try:
        assert wait_until(lambda: running.takes)
        yield running
    finally:
        running.keeper.stop()
        running.thread.join()


def batch(first: int, count: int, after: int | None = None, *, key: int = 7) -> bytes:
    """Return the payload of a batch of consecutive readings."""
    rows = [reading(number) for number in range(first, first + count)]
    start = first - 1 if after is None else after
    return encode(RunBatch(replace(MADE_RUN, key=key), start, first + count - 1, rows))


def question(*runs: int, chains: tuple[str, ...] = ()) -> bytes:
    """Return the payload of a question."""
    return encode(Question(runs, chains))
