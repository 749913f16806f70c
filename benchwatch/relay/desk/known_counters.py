"""Which counters a broker knows, by what stations have left there."""

import threading
from dataclasses import dataclass, field
from typing import Final

from benchwatch.clock import Clock
from benchwatch.errors import ConnectionFailed, UsageError
from benchwatch.quantity import how_many
from benchwatch.relay.broker_address import BrokerAddress
from benchwatch.relay.desk.broker_desk import CLIENT_ID, STOP_S, Connect
from benchwatch.relay.desk.stated_counter import StatedCounter, read_state
from benchwatch.relay.payload import PayloadRefused
from benchwatch.relay.topics import ALL_STATES, all_states_topic, read_topic

CONNECT_S: Final = 10.0
"""Longest wait for the broker."""
QUIET_S: Final = 0.5
"""All is known once the broker has said nothing for so long after its last message."""
FIRST_S: Final = 2.0
"""Longest wait for the first message."""
LONGEST_S: Final = 10.0
"""Longest time for all of them."""
MOST_COUNTERS: Final = 1000
"""A watch has at most so many counters of a broker; each takes memory and a row."""
_MOST_TOPICS: Final = 10 * MOST_COUNTERS


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class KnownCounter:
    """A counter whose state a broker has."""

    station: str
    counter: str
    state: StatedCounter = field(compare=False)


class _States:
    """Gathers the states that a broker hands out after a subscription.

    Args:
        topic: of these states.
        clock: tells for how long the broker has said nothing.
    """

    def __init__(self, topic: str, clock: Clock) -> None:
        self.subscriptions = ((topic, 1),)
        self._clock = clock
        self._changed = threading.Condition()
        self._connected = False
        self._lost: str | None = None
        self._newest_s = 0.0
        self._states: dict[tuple[str, str], bytes] = {}

    def connected(self) -> None:
        with self._changed:
            self._connected, self._newest_s = True, self._clock.monotonic()
            self._changed.notify_all()

    def lost(self, why: str) -> None:
        with self._changed:
            self._lost = why
            self._changed.notify_all()

    def heard(self, text: str, payload: bytes) -> None:
        topic = read_topic(text)
        if topic is None or topic.kind != "state" or topic.counter is None:
            return
        with self._changed:
            if len(self._states) < _MOST_TOPICS:
                self._states[topic.station, topic.counter] = payload
            self._newest_s = self._clock.monotonic()

    def wait(self, address: BrokerAddress) -> dict[tuple[str, str], bytes]:
        """Wait until all are there.

        Raises:
            ConnectionFailed: the broker can't be reached.
        """
        end_s = self._clock.monotonic() + CONNECT_S
        with self._changed:
            while not self._connected:
                left_s = end_s - self._clock.monotonic()
                if self._lost is not None or left_s <= 0.0:
                    why = (self._lost or f"no answer within {CONNECT_S:g} s").rstrip(". ")
                    raise ConnectionFailed(
                        f"the broker {address} can't be reached: {why}. Check its address and that "
                        "it runs."
                    )
                self._changed.wait(left_s)
            began_s = self._clock.monotonic()
            while True:
                now_s = self._clock.monotonic()
                wait_s = QUIET_S if self._states else FIRST_S
                left_s = min(self._newest_s + wait_s, began_s + LONGEST_S) - now_s
                if left_s <= 0.0:
                    return dict(self._states)
                self._changed.wait(min(left_s, QUIET_S))


def find_counters(
    address: BrokerAddress, station: str | None, *, connect: Connect, clock: Clock
) -> list[KnownCounter]:
    """Return the counters that a broker knows, in the order of their names.

    Args:
        address: the broker.
        station: of this station only; None: of all.
        connect: makes a connection.
        clock: tells for how long the broker has said nothing.

    Raises:
        ConnectionFailed: the broker can't be reached, or knows no such counter.
        UsageError: they are too many to be watched.
    """
    states = _States(ALL_STATES if station is None else all_states_topic(station), clock)
    connection = connect(states, address, client_id=CLIENT_ID)
    connection.start()
    try:
        payloads = states.wait(address)
    finally:
        connection.stop(STOP_S)
    found = sorted(
        known
        for key, payload in payloads.items()
        if (known := known_counter(*key, payload)) is not None
    )
    whose = "a counter" if station is None else f"a counter of {station}"
    if not found:
        raise ConnectionFailed(
            f"the broker {address} does not know {whose} yet. Is the station on, is its name "
            "right, and does its watch send (--relay)?"
        )
    if len(found) > MOST_COUNTERS:
        raise UsageError(
            f"the broker {address} knows {how_many(len(found), 'counter')}, more than the "
            f"{MOST_COUNTERS} that one watch shows: name stations, MQTT::HOST::PORT::STATION."
        )
    return found


def known_counter(station: str, counter: str, payload: bytes) -> KnownCounter | None:
    """Return a counter with the state that its station left.

    None: its watch has ended, the state can't be used, or the name is none that a resource can
    have: it is empty, or ends with a blank.
    """
    if not counter or counter != counter.rstrip():
        return None
    try:
        state = read_state(payload)
    except PayloadRefused:
        return None
    return None if state is None else KnownCounter(station=station, counter=counter, state=state)
