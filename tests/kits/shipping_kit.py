"""A station that sends its journal, and a keeper, each with a real connection to a broker."""

import os
import threading
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

from load_kit import LONGEST_WAIT_S
from record_comparison import compare_record
from server_kit import Database

from benchwatch.central_record.record_address import parse_record
from benchwatch.journal import Journal
from benchwatch.journal.schema import JournalRun
from benchwatch.journal.writer import new_key
from benchwatch.reading import Entry, Gap, Mark, Note, Reading, Record
from benchwatch.relay.batch import Question, decode
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.broker_connection import BrokerConnection
from benchwatch.relay.broker_listener import connection_for
from benchwatch.relay.keeper.keeper import Keeper
from benchwatch.relay.station.shipper import Shipper
from benchwatch.relay.station.transfer_times import SEND_WITHIN_S
from benchwatch.relay.topics import KEEPER_TOPIC

UTC_S = 1_790_000_000.25
STATION = "tide-007"


def check_same(record: Database, *files: Path) -> None:
    """Check that the record and the files of the station hold the same, row by row."""
    found = compare_record(record.url, {STATION: files})
    assert found.is_clean, str(found)


class Telling:
    """A connection that notes when all stations were told that batches are taken."""

    def __init__(self, connection: BrokerConnection, has_told: threading.Event) -> None:
        self._connection, self._has_told = connection, has_told

    @property
    def connected(self) -> bool:
        """Whether messages can be sent."""
        return self._connection.connected

    def publish(self, topic: str, payload: bytes) -> bool:
        """Send a message."""
        is_sent = self._connection.publish(topic, payload)
        if topic == KEEPER_TOPIC:
            self._has_told.set()
        return is_sent

    def publish_all(self, messages: Iterable[tuple[str, bytes]]) -> bool:
        """Send messages."""
        return self._connection.publish_all(messages)


@contextmanager
def connected_keeper(port: int, database: Database) -> Iterator[list[str]]:
    """Run a keeper of a broker; yield what it says, once it has told all that it takes batches.

    It tells that once: a station that is connected later is not told, and does not ask twice.
    """
    said: list[str] = []
    is_there, has_told = threading.Event(), threading.Event()

    class NotingKeeper(Keeper):
        """A keeper that notes when its connection is made."""

        def connected(self) -> None:
            """Take that there is a connection."""
            super().connected()
            is_there.set()

    keeper = NotingKeeper(parse_record(database.url), said.append)
    address = BrokerAddress("127.0.0.1", port, tls=False)
    connection = connection_for(keeper, address, client_id="keeper")
    keeper.sender = Telling(connection, has_told)
    thread = threading.Thread(target=keeper.run)
    connection.start()
    assert is_there.wait(LONGEST_WAIT_S)
    thread.start()
    try:
        assert has_told.wait(LONGEST_WAIT_S)
        yield said
    finally:
        keeper.stop()
        thread.join()
        connection.stop(1.0)


class SendingStation:
    """A shipper with its connection.

    Attributes:
        sent: the messages that it has sent.
    """

    def __init__(
        self, port: int, path: Path, own: Collection[int] = (), registers: Sequence[Path] = (),
        name: str = "tide-007", *, send_within_s: float = SEND_WITHIN_S,
    ) -> None:  # fmt: skip
        self.sent: list[bytes] = []
        self.own = tuple(own)
        self.shipper = Shipper(
            name, path, registers=registers, own_runs=lambda: self.own, publish=self._publish,
            send_within_s=send_within_s,
        )  # fmt: skip
        address = BrokerAddress("127.0.0.1", port, tls=False)
        self.connection = connection_for(self.shipper, address, client_id=name)

    def _publish(self, topic: str, payload: bytes, **options: object) -> bool:
        self.sent.append(payload)
        return self.connection.publish(topic, payload, **options)  # type: ignore[arg-type]

    @property
    def batches(self) -> int:
        """How many of the messages that it has sent were batches, not questions."""
        return sum(not isinstance(decode(payload), Question) for payload in self.sent)

    def start(self) -> None:
        """Begin."""
        self.shipper.start()
        self.connection.start()

    def stop(self, within_s: float = 1.0) -> None:
        """End."""
        self.shipper.stop(within_s)
        self.connection.stop(within_s)


@contextmanager
def sending_station(
    port: int, path: Path, own: Collection[int] = (), registers: Sequence[Path] = (),
    name: str = "tide-007", *, send_within_s: float = SEND_WITHIN_S,
) -> Iterator[SendingStation]:  # fmt: skip
    """Run a station that sends a journal."""
    station = SendingStation(port, path, own, registers, name, send_within_s=send_within_s)
    station.start()
    try:
        yield station
    finally:
        station.stop()


class WrittenRun:
    """A run of a journal that is open for writing."""

    def __init__(self, journal: Journal, counter: str = "main") -> None:
        self._journal = journal
        self.run = JournalRun(
            key=new_key(UTC_S), watch=1, counter=counter, resource="made", driver="scpi",
            started_utc_s=UTC_S, nominal_hz=Decimal(10_000_000), identity="made counter",
            settings=f'{{"process": {os.getpid()}}}',
        )  # fmt: skip
        journal.save_run(self.run)
        self.written = 0

    @property
    def key(self) -> int:
        """Key of the run."""
        return self.run.key

    def write(self, count: int) -> None:
        """Write events, most of them readings."""
        for _ in range(count):
            self.written += 1
            self._journal.write(self.key, made_event(self.run.counter, self.written))

    def go_on(self, journal: Journal) -> None:
        """Go on in another file."""
        self._journal = journal
        journal.save_run(self.run)

    def end(self) -> None:
        """Write the end of the run."""
        self.run = replace(self.run, ended_utc_s=UTC_S + self.written, end_reason="stopped")
        self._journal.save_run(self.run)


def made_event(counter: str, number: int) -> Entry:
    """Return the event of this number: of every kind one in a hundred, the others readings."""
    utc_s, elapsed_s = UTC_S + number, float(number)
    if number % 100 == 20:
        return Gap(counter=counter, utc_s=utc_s, elapsed_s=elapsed_s, lasted_s=2.5, reason="cut")
    if number % 100 == 40:
        return Mark(counter=counter, utc_s=utc_s, elapsed_s=elapsed_s, text=f"mark {number} µ")
    if number % 100 == 60:
        return Record(
            counter=counter, utc_s=utc_s, elapsed_s=elapsed_s, kind="as found", document="{}"
        )
    if number % 100 == 80:
        return Note(counter=counter, utc_s=utc_s, elapsed_s=elapsed_s, kind="pull", document="[]")
    return Reading(
        counter=counter, utc_s=utc_s, elapsed_s=elapsed_s, gate_s=1.0,
        text=f"10000000.{number % 10_000:04}", frequency_hz=1e7, offset_hz=0.0, offset=0.0,
        resolution_hz=1e-4,
    )  # fmt: skip
