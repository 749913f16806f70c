"""The keeper's loop: what stations send is committed in groups, and only then answered.

It keeps nothing: whatever is not answered, whether the database, the broker or the keeper was
away, comes again from the journals of the stations.
"""

import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final, Protocol

from benchwatch.central_record.batches import Outcome
from benchwatch.central_record.group_writer import GroupWriter
from benchwatch.central_record.record_address import RecordAddress
from benchwatch.central_record.record_connection import (
    check_may_write,
    check_schema,
    connect,
    given_up_after,
)
from benchwatch.errors import OtherSchema, RecordAway, RecordError
from benchwatch.relay.keeper.answering import answers
from benchwatch.relay.keeper.inbox import Inbox, read_message
from benchwatch.relay.keeper.keeper_words import KeeperWords
from benchwatch.relay.keeper.message_group import MOST_MESSAGES, MessageGroup, take_group
from benchwatch.relay.payload import VERSION, write_plain
from benchwatch.relay.topics import ALL_BATCHES, KEEPER_TOPIC, answer_topic, read_topic

if TYPE_CHECKING:
    import psycopg

FIRST_WAIT_S: Final = 0.5
LONGEST_WAIT_S: Final = 10.0
"""Waits between two attempts to reach the database. All stations wait for one keeper, so that it
tries more often than each of them."""
LONGEST_WRITE_S: Final = 45.0
"""After so long a group is given up, and the connection to the database with it."""
GATHER_S: Final = 0.04
"""Wait from the first message of a group to its writing: each group costs the same few statements,
however many messages it has."""
LOOK_S: Final = 1.0
"""Longest wait for a message."""
UNPROVEN_S: Final = 30.0
"""Time from a group that could not be written until the record is called open though no batch has
come since. Only a batch that is written shows that a full disk has room again."""
NAME: Final = "benchwatch keep"


class Sender(Protocol):
    """What the keeper needs of its connection to the broker."""

    @property
    def connected(self) -> bool:
        """Whether messages can be sent."""

    def publish(self, topic: str, payload: bytes) -> bool:
        """Send a message; return False if that is not possible now."""

    def publish_all(self, messages: Iterable[tuple[str, bytes]]) -> bool:
        """Send many messages; return False if some can't be sent now."""


class Keeper:
    """Commits what comes in to one central record; `run` blocks until `stop`.

    Args:
        address: of the central record.
        say: writes a sentence for people.
        clock: monotonic seconds.
    """

    def __init__(
        self,
        address: RecordAddress,
        say: Callable[[str], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.sender: Sender | None = None
        """The connection to the broker, given before `run`."""
        self.inbox = Inbox()
        self.words = KeeperWords(say, clock)
        self._address = address
        self._connection: psycopg.Connection[Any] | None = None
        self._writer: GroupWriter | None = None
        self._was_open = False
        self._wait_s = FIRST_WAIT_S
        self._clock = clock
        self._failed_s: float | None = None
        """When a group could not be written; None: a later one was."""
        self._stopped = threading.Event()
        self._most_messages = MOST_MESSAGES
        self._dropped_before = 0

    # ------------------------------------------------------------ called by the broker's thread

    @property
    def subscriptions(self) -> Sequence[tuple[str, int]]:
        """Return what is to be heard: the broker's acknowledgement is not needed for it.

        What is not answered is sent again.
        """
        return ((ALL_BATCHES, 0),)

    def heard(self, topic: str, payload: bytes) -> None:
        """Take a message; whose it is, its topic says and nothing else."""
        read = read_topic(topic)
        if read is not None and read.kind == "batch" and self.inbox.has_room(read.station):
            self.inbox.put(read_message(read.station, payload))

    def connected(self) -> None:
        """Say that batches are taken, if they are."""
        self.words.about("broker", "the broker is there")
        if self._writer is not None:
            self._announce()

    def lost(self, why: str) -> None:
        """Say that the broker is away."""
        self.words.about("broker", f"{why}; trying again")

    # ------------------------------------------------------------ the loop

    def stop(self) -> None:
        """Let `run` end after the group that is being written; from any other thread."""
        self._stopped.set()
        self.inbox.end()

    def run(self) -> None:
        """Keep until `stop`.

        Raises:
            RecordError: the record can't be used from the start, or only by another version.
        """
        try:
            while not self._stopped.is_set():
                try:
                    if self._writer is None:
                        self._open()
                    self._keep_on()
                except (RecordAway, RecordError) as error:
                    # Once it was in use, it may be just now restored from a backup.
                    if isinstance(error, OtherSchema) or not (
                        self._was_open or isinstance(error, RecordAway)
                    ):
                        raise
                    self._close()
                    self.words.about("record", f"{error} Nothing is taken; trying again.")
                    self._stopped.wait(self._wait_s)
                    self._wait_s = min(2 * self._wait_s, LONGEST_WAIT_S)
        finally:
            self._close()

    def _open(self) -> None:
        """Connect to the database, and take what comes.

        Raises:
            RecordAway: it is not there.
            RecordError: it can't be used.
        """
        self._connection = connect(self._address, NAME)
        with given_up_after(self._connection, LONGEST_WRITE_S):
            check_schema(self._connection, self._address)
            check_may_write(self._connection, self._address)
        self._writer = GroupWriter(self._connection, self._address)
        self._was_open = True
        self.inbox.open()
        self._announce()

    def _close(self) -> None:
        self.inbox.close()
        self._writer = None
        if self._connection is not None:
            with suppress(Exception):  # whatever a broken connection says of it
                self._connection.close()
            self._connection = None

    def _keep_on(self) -> None:
        """Write group after group until `stop`.

        Raises:
            RecordAway: the database is away, and the last group not answered.
            RecordError: the record can't be written any longer.
        """
        while not self._stopped.is_set():
            if self.inbox.wait(LOOK_S):
                self._stopped.wait(GATHER_S)
                group = take_group(self.inbox, self._most_messages)
                try:
                    outcomes = self._write(group)
                except RecordAway:
                    self._failed_s = self._clock()
                    # A smaller group may be written where a large one takes too long.
                    self._most_messages = max(1, group.messages // 2)
                    raise
                self._most_messages = min(2 * self._most_messages, MOST_MESSAGES)
                self._answer(outcomes)
                refused = len(group.notes) + sum(len(one.refused) for one in outcomes.values())
                self.words.committed(set(outcomes), group.events, refused)
                if not group.sent:
                    continue  # a question that is answered does not show that batches can be
                self._wait_s, self._failed_s = FIRST_WAIT_S, None
            if self._failed_s is None or self._clock() - self._failed_s > UNPROVEN_S:
                self.words.about("record", f"{self._address.shown} is open, and batches are taken")
            dropped = self.inbox.dropped
            if self.words.report(dropped - self._dropped_before):
                self._dropped_before = dropped

    def _write(self, group: MessageGroup) -> dict[str, Outcome]:
        """Commit a group and look up what was asked; return what each station is answered."""
        assert self._connection is not None
        assert self._writer is not None
        with given_up_after(self._connection, LONGEST_WRITE_S):
            outcomes = self._writer.write(group.sent, group.notes)
            for station, outcome in group.refused.items():
                outcomes.setdefault(station, Outcome()).add(outcome)
            if group.questions:
                found = self._writer.progress(
                    [(station, run) for station, one in group.questions for run in one.runs],
                    [(station, chain) for station, one in group.questions for chain in one.chains],
                )
                for station, outcome in found.items():
                    outcomes.setdefault(station, Outcome()).add(outcome)
        return outcomes

    def _answer(self, outcomes: dict[str, Outcome]) -> None:
        if self.sender is not None:
            # One that is lost costs nothing but time: the station asks again. So it needs no
            # acknowledgement, which would cost as much as the answer.
            self.sender.publish_all(
                (answer_topic(station), payload)
                for station, outcome in outcomes.items()
                for payload in answers(outcome)
            )

    def _announce(self) -> None:
        """Tell all stations that batches are taken, so that they ask at once."""
        if self.sender is not None and self.sender.connected:
            self.sender.publish(KEEPER_TOPIC, write_plain({"v": VERSION, "takes": True}))
